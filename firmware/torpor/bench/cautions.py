"""What can hurt. Law: a caution stands where the console asks a person to do something, before that.

docs/safety.md says more. All of it gives way to the cell maker's data sheet, local rules and qualified people.
"""

METER = (
    "caution: to put a meter in series, take the cell's plug out first, and keep its two contacts apart: a lithium "
    "cell that is shorted can burn within seconds. Begin on the meter's largest range. docs/safety.md"
)
LOW_CELL = (
    "charge it only with a charger made for it and as its maker's data sheet says, or replace it; a cell that was "
    "found deeply discharged, swollen or warm is not charged again. docs/safety.md"
)
SOAK = (
    "caution: left alone overnight, a board lies on something that does not burn; leave no cell charging unattended "
    "unless its maker's data sheet allows it. docs/safety.md"
)
SURVEY = (
    "caution: a site survey on a ladder or a roof is work at height: qualified people, local rules, and not in a "
    "thunderstorm. The LED tells the same from the ground: docs/field.md"
)

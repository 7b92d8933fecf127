"""Intervals of whole numbers. Law: both ends belong to an interval, and intervals of one list do not touch."""

SHOWN_MAX = 8  # in words


def without(interval: tuple[int, int], taken: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """What is left of an inclusive interval when others, sorted by their beginning, are taken out."""
    first, last = interval
    left = []
    for begin, end in taken:
        if end < first or begin > last:
            continue
        if begin > first:
            left.append((first, begin - 1))
        first = max(first, end + 1)
        if first > last:
            break
    if first <= last:
        left.append((first, last))
    return left


def spans(numbers) -> list[tuple[int, int]]:
    """Sorted whole numbers as inclusive intervals."""
    found: list[tuple[int, int]] = []
    for number in numbers:
        if found and found[-1][1] + 1 == number:
            found[-1] = found[-1][0], number
        else:
            found.append((number, number))
    return found


def listed(intervals: list, most: int = SHOWN_MAX) -> str:
    """Inclusive intervals in words, the first of them."""
    shown = [f"{first:,}" if first == last else f"{first:,} to {last:,}" for first, last in intervals[:most]]
    more = len(intervals) - most
    return ", ".join(shown) + (f" and {more:,} more stretches" if more > 0 else "")

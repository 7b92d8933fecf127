"""What befell clock and settings of a board while it slept, on the runtimes that run the real port.

Law: the firmware finds it, and is told nothing.
"""

from hostsim import clock_faults, settings_faults
from hostsim.node import Node


def wake_begins(node: Node, judge, person: bool, lay_settings, kept: bytes) -> None:
    """To be called when the board has booted; the judge hears of it here. person: as in Judge.wake_began.

    lay_settings(data): put settings.toml into the board's flash, None: take it away. kept: what the chip's own memory
    holds of earlier settings.
    """
    without_settings = False
    if node.faults.names:
        clock_faults.befall(node, judge)
        lay_settings(settings_faults.file_of(node))
        without_settings = settings_faults.is_without(node, kept)
    judge.wake_began(node.now_ms, node.retained, person, without_settings)
    if without_settings:
        # settings of last resort name no pin: what a reading asks for then leaves no trace on the wires
        judge.asked(node.now_ms)

"""Faults that lie in a board before it has its power. Law: each changes the world's board, never its firmware."""

from dataclasses import replace

from hostsim.node import Node


def empty(node: Node) -> None:
    node.battery_mv = 3050


def sagging(node: Node) -> None:
    """The cell gives way while the radio is on."""
    rested_mv = node.battery_mv

    class Sagging(type(node)):
        @property
        def battery_mv(self) -> int:
            return rested_mv - (600 if self.radio_state else 0)

    del node.battery_mv
    node.__class__ = Sagging


def hot(node: Node) -> None:
    node.climate.inside_degc = 120.0


class _Draught:
    """A climate that changes from one look to the next."""

    def __init__(self, climate):
        self._climate = climate
        self._looks = 0

    def __getattr__(self, name: str):
        return getattr(self._climate, name)

    @property
    def inside_degc(self) -> float:
        self._looks += 1
        return self._climate.inside_degc + (4.0 if self._looks % 2 else -4.0)


def draughty(node: Node) -> None:
    node.climate = _Draught(node.climate)


class _Oscillator:
    """A clock whose crystal stands still, or that forgets what it was set to."""

    def __init__(self, clock, forgets: bool):
        self._forgets = forgets
        self._stands_s: int | None = None
        self.let_pass = clock.let_pass

    def shows(self, now_ms: int) -> int | None:
        return self._stands_s

    def set(self, now_ms: int, epoch_s: int) -> None:
        self._stands_s = None if self._forgets else epoch_s

    def stop(self) -> None:
        self._stands_s = None


def clock(forgets: bool):
    def early(node: Node) -> None:
        node.clock = _Oscillator(node.clock, forgets)

    return early


def slow_card(node: Node) -> None:
    node.board = replace(node.board, durations=dict(node.board.durations, card_write=900))
    node.durations = node.board.durations

"""Three ways to bring a node to life. Law: only here is torpor imported."""


class RuntimeAbsent(Exception):
    """This machine cannot run what was asked for; the text says what is missing."""

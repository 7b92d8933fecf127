"""Parts as their data sheets describe them, register by register. Law: no code is shared with any driver.

They run in CPython and in MicroPython: no imports beyond `errno` and `struct`, no dataclasses, no typing.
"""

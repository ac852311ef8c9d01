"""Stands in for MicroPython's own module when the core runs on CPython: the decorators change nothing."""


def native(function):
    """On the board: compile to machine code. Here: leave as it is."""
    return function

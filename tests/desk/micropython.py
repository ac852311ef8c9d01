"""Stands in for MicroPython's own module when the core runs on CPython: nothing is compiled to machine code."""


def native(function):
    """On the board: compile to machine code. Here: leave as it is."""
    return function


def const(value):
    """On the board: replaced by its value where it is used. Here: the value."""
    return value

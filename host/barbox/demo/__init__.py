"""The demonstration ride: a scenario of our own, what must hold in it, and what is written of it."""

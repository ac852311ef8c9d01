"""Voltage sensing calibrated against a meter, and the lever's end points."""

"""Rotors as they come off a printer and out of a bag: tolerances, and which magnet goes where."""

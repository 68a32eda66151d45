"""Optimise magnetic rotor arrays."""

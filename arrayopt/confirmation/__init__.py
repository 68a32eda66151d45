"""Confirm a design by nonlinear finite elements, which the extra `fe` brings."""

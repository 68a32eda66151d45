"""Measured motors: what is read, estimated, found and written back."""

"""What all stages count in: arrays of numbers, and constants of nature and of units."""

from __future__ import annotations

from math import pi
from typing import Any

from numpy.typing import NDArray

Array = NDArray[Any]  # numbers or flags; docstrings give the shape

MM = 1e-3  # m
MU0 = 4e-7 * pi  # T m/A
RPM = 2 * pi / 60  # rad/s

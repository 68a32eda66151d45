"""What common instruments are off by, one standard deviation of their gain."""

from __future__ import annotations

# Common practice, no source.
GAUSSMETER = 0.03  # of a flux density
VOLTMETER = 0.01  # of a voltage

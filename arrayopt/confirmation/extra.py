"""How the extra ``fe`` is had: finite elements and solids, by ngsolve."""

INSTALL = 'pip install ".[fe]" in the folder of arrayopt\'s README'

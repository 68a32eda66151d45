"""Search for the best buildable rotor: space, judging, run, front."""

from arrayopt.search.run import SearchResult, optimise
from arrayopt.search.space import outside

__all__ = ["SearchResult", "optimise", "outside"]

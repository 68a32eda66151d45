"""Search for the best buildable rotor: space, judging, run, front."""

from arrayopt.search.result import SearchResult
from arrayopt.search.run import optimise
from arrayopt.search.space import start_outside

__all__ = ["SearchResult", "optimise", "start_outside"]

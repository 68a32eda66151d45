"""Search for the best buildable rotor: space, judging, run, front."""

from arrayopt.search.result import SearchResult
from arrayopt.search.run import Progress, optimise, read_search
from arrayopt.search.space import start_outside

__all__ = ["Progress", "SearchResult", "optimise", "read_search", "start_outside"]

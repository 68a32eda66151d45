"""Search for the best buildable rotor: space, judging, run, front."""

from arrayopt.search.run import SearchResult, optimise

__all__ = ["SearchResult", "optimise"]

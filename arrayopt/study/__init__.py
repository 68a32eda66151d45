"""Study files: what they may say, reading them, writing changed ones back."""

from arrayopt.study.load import load_study, parse_study
from arrayopt.study.models import Study
from arrayopt.study.rewrite import revised_text, starter_stock, starter_text
from arrayopt.study.rules import contradictions
from arrayopt.study.size_rules import size_contradictions

__all__ = [
    "Study", "contradictions", "load_study", "parse_study", "revised_text",
    "size_contradictions", "starter_stock", "starter_text",
]  # fmt: skip

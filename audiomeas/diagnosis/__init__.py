"""Failure pictures: what the facts of a visit are consistent with, and what to check next. Never certainty."""

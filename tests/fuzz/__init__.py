"""Hostile and unlucky days by chance: each module has `NAME`, `Ground` (what its cases share) and a
case, which raises AssertionError.  A case follows from its seed.

    python -m tests.fuzz [--minutes M] [--seed S] [NAME ...]
"""

"""The JSON API under /api/v1: the same dataclasses as everywhere else."""

"""Benches' own files: found out what they hold, shown as a proposal, agreed with, then checked as any sheet."""

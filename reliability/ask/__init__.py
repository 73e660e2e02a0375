"""The one door for shells: ask a question of a store or of files, and get its answer.

Command line, API, dashboard and report import this package, the figures and the words, and nothing
below. A number is worked out once, here, whoever asks.
"""

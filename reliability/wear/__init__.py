"""Wear readings to a limit, misfires as recurrent events."""

"""Shot logs: telemetry of every shot, reduced to what the statistics take."""

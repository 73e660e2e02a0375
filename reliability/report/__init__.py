"""The flight life statement, as PDF and as one HTML file."""

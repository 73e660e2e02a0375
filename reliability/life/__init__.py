"""Life models: distributions, censored likelihood, fitting, bounds, empirical curves, stress models."""

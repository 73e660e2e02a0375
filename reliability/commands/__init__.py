"""The commands, one module each; loaded only when called, so that help stays quick."""

"""capture: what comes in, written to a file with its times until the player ends it."""

"""watch: what comes in and what goes out, live, in words."""

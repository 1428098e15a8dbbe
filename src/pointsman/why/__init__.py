"""Why a synth is silent: what came for it, what became of that, and what is to blame."""

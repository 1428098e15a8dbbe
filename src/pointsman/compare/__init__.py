"""render --compare: what another rig would change, for the same input."""

"""The live service: ports that come and go, reloads, and the desk that answers clients."""

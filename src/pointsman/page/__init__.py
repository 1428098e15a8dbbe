"""The page for the phone on the music stand: a process of its own beside the running service.

It talks to the service through the control socket alone, and so can do it no more harm than any
other client. What it must never do is let a stranger reach that socket: see `security`.
"""

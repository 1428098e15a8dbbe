"""What a render did, to look at: a page for the browser, or a picture.

From the inside out: `tracing` says which lines of the rig made a message; `lanes`, `meters` and
`notes` keep what is drawn, in bounded memory; `collect` listens to a render and puts the `model`
together; `marks` lists what the rig did by itself; `layout` says where on the paper each part
stands. All of these are pure. `page` (with bokeh) and `picture` (with matplotlib) draw it, and
`commands` offers both on the command line.
"""

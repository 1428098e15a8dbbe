"""Implementation charts as players have them, made into device files.

`reading` takes a chart apart: `columns` reads tables, `text` what was copied out of a manual; both
use `values` (numbers, ranges, yes and no), `reach` (how a control is reached), `fields` (what else
stands beside it) and `functions` (the rows of the published chart). `chart` holds what was found,
with the fate of every line; `writing` makes the device file of it, and `report` the account.
"""

"""Implementation charts as players have them, made into device files.

`reading` takes a chart apart in two ways, and keeps the one that understood more: `columns` reads
tables (`headings` and `guessing` say which column is what, `rows` reads a row), `text` reads what
was copied out of a manual (`layout` sees how its lines are laid out, `fields` what stands beside a
number). Both use `reach` (how a control is reached), `functions` (the rows of the published chart),
`fitting` (ranges as MIDI values) and `values` (numbers, ranges, yes and no). `chart` holds what was
found, with the fate of every line; `writing` makes the device file of it, `report` the account.
"""

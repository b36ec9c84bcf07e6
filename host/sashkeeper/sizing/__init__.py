"""Sizing: is this lid safe with this drive, and does this battery last?

Pure sums on plain records; no files, no network. `lid` and `power` put the
sums together, `loads`, `linkage`, `sunshine` and `cable` hold the formulas
with their sources, `rows` the verdicts, `drawing` the pictures.
"""

"""Results side by side, and results with filters in front: what differs, and what is beyond doubt.

`distsweep.comparison.compare` holds sources against the first of them; `filters` says what an
equaliser costs. Everything here works on `distsweep.results`; nothing reads a recording.
"""

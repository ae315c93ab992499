"""What a driver must not do: rules that watch a run and report findings at the driver's own line.

The one idea: a rule judges by what the driver was shown and could know, and where a correct driver
might do the same it says nothing. What a run must achieve is the contract's business, not theirs.
"""

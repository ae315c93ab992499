"""The device shelf: one file a device, each a few declarations and the behaviour that they need.

The one idea: a device is found by its kind, a word in a board description, whether it comes with
the bench or with a package of somebody else; `emu.devices.shelf` does the finding. What hangs at
the far end of a device's wires is left to other rooms.
"""

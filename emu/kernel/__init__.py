"""A deterministic machine in simulated time: clock, signals, registers, bus, processor, board.

The one idea: time is an integer, one queue orders everything that happens, and the driver reaches
hardware only through register accesses and interrupts, so that the same run always gives the same
record. What a device does, what hangs on its wires, and what goes wrong on purpose are for the
rooms above.
"""

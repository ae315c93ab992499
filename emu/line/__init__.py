"""The serial line: frames as waveforms, who sends them, who finds them, and the far end.

The one idea: a character is nothing but the times at which a wire toggles. A transmitter plays
them, a receiver samples them with a 16x clock of its own, and rate mismatch, noise, breaks and
glitches come out of that with no special case. Registers and interrupts are left to the devices.
"""

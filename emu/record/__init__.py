"""What happened: the kernel's tape turned into events, a timeline to read, files and counts.

The one idea: the kernel writes bare tuples in bounded memory, and everything that makes sense of
them stands here, to be paid for only by whoever asks.
"""

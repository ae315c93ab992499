"""What came of a run, as a person reads it: pages and screens, made from data of the rooms below.

Nothing here judges or measures; everything printed is in the outcome already.
"""

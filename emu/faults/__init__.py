"""What goes wrong on purpose: plans as plain data, kinds of faults, and how they are put in place.

The one idea: a fault is attached where it acts (the port of a register, an interrupt line, a wire,
the receiver, the clock) and nothing else pays for it. `plan` is the data, `kinds` what each kind
means, `check` judges a plan against a board, `arm` puts it in place, and `spell` writes one down in
Python. What a driver must do about a fault is the business of the contract, not of this room.
"""

"""One run, from an input file to a verdict: reading scenarios and boards, running, judging."""

"""A second, independent account of a factory, unit by unit, by brute force. It imports nothing of the program.

`actions.py`: a history as plain data, in the words of the floor. `things.py`: what is simulated: cells, lines, loose lots, pockets.
`factory.py`: `Factory(seed)`, the verbs; each one does and writes down its action. `answers.py`: truth, possible, must, bounds, forward, counts.
`stops.py`: what a hold stops. `histories.py`: random lawful histories, for Hypothesis and from a seed.

Truth is what chance did (drawn from the seed). Possible and must are what can be said from what was declared alone.
Names are symbols, `kind:number`: wafer, batch, panel, lot (of panels), loose (a loose lot), sample, pack, run, line, mark, hold, container.
"""

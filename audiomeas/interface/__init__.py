"""What plays and captures: a sound card, a simulated bench. Counts out, counts in; nothing here knows a volt.

Every interface drives the same `Transport` block by block, so what is tested with the simulated bench (fades, watching
the input, cancelling, keeping what was captured) is the code that runs with a real card.
"""

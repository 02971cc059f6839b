"""Comparing carriers fairly: plain numbers in, plain numbers and a verdict in words out. No models here.

Read in this order: `sums` (what is added up per carrier), `mix` (what the site's rates expect), `figures` (every
formula), `compare` (who is judged, and in which order), `verdicts` (the sentences), `months` (one series over time),
`settling` (days, money, duties kept), `scales` (axes of charts).
"""

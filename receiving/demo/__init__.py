"""An invented cross-dock to look around in: two sites, twelve months of trailers, and the docks as they are now.

`load.load` is the one way in. What is invented stands in `fixtures/demo/scenario.json`, how much of it happened when
in `plan`; `history` writes the past in bulk, `today` goes through the dock's own functions.
"""

"""The claims of the invented company: terms with its carriers, what its clerks did in twelve months, what waits today.

`load.load` is the one way in. `fixtures/demo/claims.json` says which claims there are and what happened to each.
`bills` finds a bill for each of them among the trailers that the docks' demo wrote, `acts` does one step at a time
through the domain's own writers, and `office` does all steps in the order of their moments, in between the docks'.
"""

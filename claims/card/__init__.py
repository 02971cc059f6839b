"""A carrier's scorecard: what is counted, gathered as plain JSON, and the files that are made of that and no more."""

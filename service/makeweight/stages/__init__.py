"""The two stages, desk and ledger: the only home of decide, fold and say. No I/O, no clock."""

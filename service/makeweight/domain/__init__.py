"""Values and rules of the trade. Pure: standard library only, no clock, no random, no I/O."""

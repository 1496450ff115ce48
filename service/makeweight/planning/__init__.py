"""What the practitioner asks of the program: why an order got what it got, and later check and rehearse a draft."""

"""What is known: level, volume, battery charge, the water ledger."""

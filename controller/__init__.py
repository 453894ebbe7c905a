"""The Raspberry Pi service: what is declared, known, wanted and allowed, and the shell around it."""

"""Where readings, ledger and outbox are kept."""

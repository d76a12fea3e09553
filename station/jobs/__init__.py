"""The three jobs: pure functions from ledger entries to progress and outcome."""

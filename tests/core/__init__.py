"""The straight line: events, timers, music, conditioning, rules, ledger, engine."""

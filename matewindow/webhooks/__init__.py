"""Telling other programs what happens, as Standard Webhooks 1.0 has it: events, signatures, attempts, retries."""

"""Ours against the ceiling, in one run: durable ingest and the way from a count to a receiver's socket."""

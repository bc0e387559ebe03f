"""A long run with faults from a seed: whatever dies, no count and no notice is lost or silently doubled."""

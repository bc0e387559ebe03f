"""Whether the forecast keeps its promise: made-up supply histories through the real rules, scored."""

"""Bytes nobody thought of, against each decoder: they give a value or the named error, nothing else."""

"""Earlybell: says which supply slot runs empty, how many panels from now, before the machine does."""

"""What the tests stand on: real brokers and databases, the program as a process, waiting for a condition."""

"""What ``deploy/observing`` holds, made from what the program declares."""

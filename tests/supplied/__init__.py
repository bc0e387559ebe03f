"""What comes from others: which packages the lock files admit, under which licences, and what is known
against them. Reads the lock and what is installed from it; fetches nothing itself."""

"""`make words`: the catalogues of texts, kept to what the program says."""

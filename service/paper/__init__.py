"""A review on paper: pictures, a page that needs nothing else, PDF, sheets. Made from the report alone,
without network or clock."""

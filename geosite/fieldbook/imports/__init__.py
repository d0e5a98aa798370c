"""Any export to a field book: what each column is, and how sure that is."""

"""Room 5, what people ask: quantities, distances, grades, sections, parcels."""

"""Room 6, what leaves: GeoPackage, GeoTIFF, styles, metadata, plan sheet, viewer, drafting file."""

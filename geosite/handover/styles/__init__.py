"""How every layer and raster looks, free of any file format.

One table: the plan sheet and the viewer take pens, tints, signs and words from here and from
`geosite.handover.palette`; the writers of OGC styles and of the open GIS desktop's styles turn the
looks into files. So a colour, a sign or a word is the same on paper, in the browser and in a GIS.
"""

"""The reports' drawings, as SVG: one module for the page, the report, print and PNG.

Ink on paper: what is known by shape and words, never by colour alone.  Hatching is doubt, a thick line a limit.
"""

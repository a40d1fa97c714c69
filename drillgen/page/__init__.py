"""The practice page: one folder that plays, from disk or from any static host.

The page does not play rendered mixes.  It has each distinct note once (`tones.py`) and plays the
performance's strokes with them, as the mixes were made.  So any tempo keeps its pitch, a repeated
stretch has no seam, and the parts cannot drift apart.
"""

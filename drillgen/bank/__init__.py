"""A soundfont of our own, made by code: basses and brushes, dedicated to the public domain (CC0).

`make.written` makes the file; the rest are the models that it is made from.  Everything is
reckoned in 64-bit floats from `chance`'s numbers and rounded to 16 bits at the very end, so that
every machine makes the same file.
"""

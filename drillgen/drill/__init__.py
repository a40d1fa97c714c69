"""What a person writes: drills, lessons and presets, read from YAML into `Drill` values.

`lesson.load` reads a file or preset; `reader.parse_drill` a text; `reader.drill_of` plain data.
All raise `messages.DrillError`, which says everything that is wrong, each with its place.
"""

"""Practice alone: drills, what they sound like, when feedback is given, plans, and what was done.

drill      a drill as data, and what no drill may ask of a wrist
alerts     what is shown, sounds and shakes for each reading
schedule   whether the student is told, and when
plan       from a pick to days of drills, in one file
session    a plan's session over any live source, and its journal
"""

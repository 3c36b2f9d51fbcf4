"""Practice alone: drills, what they sound like, when feedback is given, plans, and what was done.

- `drill`: a drill as data, and what no drill may ask of a wrist
- `alerts`: what is shown, sounds and shakes for each reading
- `schedule`: whether the student is told, and when
- `plan`: from a pick to days of drills, in one file
- `tries`: a try under way, of each kind
- `journal`: the file of a session, and how much was swung
- `session`: a plan's session, reading by reading
- `runner`: a session over a live source
"""

"""The engine's state as plain data: typed, named, bounded, and read back into declared types only.

Rules:

1. Only types with a tag (`benchd/stored.py`) may be in a state; fields are named in a legend and read by name.
2. A value is read only as the type its field declares; anything else is a StateError.  Nothing is imported or called
   because a state names it.
3. What two parts share is shared again after reading: each object is written once and referred to afterwards.
4. What follows from the configuration (settings, rules, section tables) is not written but *given*: both sides work it
   out from the context and tables in force, and compare a digest of it.
5. A digest of all tags, field names and field types comes first, with STATE_VERSION.  Moving a class changes
   neither; adding, renaming or retyping a field changes the digest, and the state no longer fits.
6. Size and nesting are capped before anything is built.
"""

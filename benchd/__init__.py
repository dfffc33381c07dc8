"""benchd watches a resin-casting bench: the cup, the pot and the air, from first mix to last demold.

Data flows one way.  *Sources* (a serial board, a broker, a recording, the rehearsal bench) put inputs with their own
time into an *inbox*; the *journal* saves them before anything else; the *engine*, which is pure, steps each through
calibration, *watchers* (one subject each), pours and loads, and alerts; its effects wait at a gate until they are saved
and are then published by the *outlets* (MQTT, page, push, speaker, console).
"""

__version__ = "0.2.0"

"""Copy to config.py, write your own values there, and copy that onto the board.  config.py is never committed."""

WIFI_NAME = "workshop"
WIFI_PASSWORD = "not this one"

BROKER_HOST = "192.168.1.20"  # an address: looking up a name would hold up the foot switch
BROKER_PORT = 1883  # MQTT 3.1.1
BROKER_USERNAME = "board-b1"  # "" if the broker asks for none
BROKER_PASSWORD = "nor this one"

TOPIC_PREFIX = "benchd"
BOARD = "b1"  # topics <prefix>/board/<board>/lines, up, boot; readings b1-cup, b1-pot, ...
# The transducer's full scale [Pa gauge], at least 1.3 x the pot's mark: 100 psi 689_476, 150 psi 1_034_214, 10 bar
# 1_000_000.  bench.toml has the same as the upper end of the channel's `range`: `benchd check` compares the two.
FULL_PA = 689_476

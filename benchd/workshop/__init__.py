"""Many benches: collects what they send into a database, and shows the shop on one screen.  README.md has the how-to.

    benches -> broker (MQTT 5, or a NATS cluster) -> gather -> PostgreSQL -> shop (the books)
                                   |------------------------------------->  shop (the wall)

A bench that has no shop never loads any of it.
"""

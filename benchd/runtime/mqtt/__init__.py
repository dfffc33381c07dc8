"""MQTT: the client and its link, topics, queues, marks from the broker, the embedded broker."""

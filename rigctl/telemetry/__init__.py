"""MQTT telemetry: messages, publisher, embedded broker."""

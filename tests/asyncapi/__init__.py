"""The description of our MQTT contract, made from the code's types: ``make asyncapi`` writes it."""

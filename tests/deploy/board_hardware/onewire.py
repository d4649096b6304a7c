"""The simulated 1-wire pin."""


class OneWireError(Exception):
    pass


class OneWire:
    def __init__(self, pin):
        pass

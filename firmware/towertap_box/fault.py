"""Faults, under the names of the wire format's fault frames."""


class Fault(Exception):
    """A fault to send to the host: `name` is one of the wire format's fault names, `detail` a description."""

    def __init__(self, name, detail):
        super().__init__(name, detail)
        self.name = name
        self.detail = detail

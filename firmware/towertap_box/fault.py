"""What goes wrong, under the names of the wire format's fault frames."""


class Fault(Exception):
    """Something the host must hear: `name` is one of the wire format's fault names, `detail` says it in words."""

    def __init__(self, name, detail):
        super().__init__(name, detail)
        self.name = name
        self.detail = detail

"""The stand-in box that the recorder's tests use."""

from towertap.box.port import open_box


def test_it_closes_if_nobody_reads_from_it(stand_in):
    stand = stand_in(realtime=False)
    with open_box(str(stand.path)) as box:
        box.start(4000)
        before = -1
        while len(stand.sent) > before:  # until the terminal holds no more
            before = len(stand.sent)
            stand.said_bye.wait(0.3)
    assert stand.running

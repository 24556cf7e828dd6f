"""The table of sections, in the order of the page; each has a folder."""

from towertap.compare.section import Section
from towertap.compare.sections.boxes import BoxesSection
from towertap.compare.sections.captures import CapturesSection
from towertap.compare.sections.controls import ControlsSection
from towertap.compare.sections.differences import DifferencesSection
from towertap.compare.sections.knocks import KnocksSection
from towertap.compare.sections.places import PlacesSection
from towertap.compare.sections.smooth import SmoothSection
from towertap.compare.sections.spectra import SpectraSection
from towertap.compare.sections.speed import SpeedSection
from towertap.compare.sections.thirds import ThirdsSection
from towertap.compare.sections.transfer import TransferSection

SECTIONS: tuple[Section, ...] = (
    SmoothSection(),
    ControlsSection(),
    BoxesSection(),
    DifferencesSection(),
    ThirdsSection(),
    SpectraSection(),
    TransferSection(),
    KnocksSection(),
    SpeedSection(),
    PlacesSection(),
    CapturesSection(),
)

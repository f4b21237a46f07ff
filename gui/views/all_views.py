"""Every view there is, in the order of the chooser: a new view is one more line here."""

from __future__ import annotations

from stillbox.gui.results.view import View
from stillbox.gui.views import box_and_bass, driver, network, one_state, two_states

ALL_VIEWS: tuple[View, ...] = (one_state.VIEW, two_states.VIEW, driver.VIEW, box_and_bass.VIEW, network.VIEW)

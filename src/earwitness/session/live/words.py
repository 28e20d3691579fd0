"""The sentences of the live inspection, in English."""

from __future__ import annotations

from earwitness.session.messages.catalogue import english

text = english().text

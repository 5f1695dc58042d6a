"""Lay plans: where each piece lies on the mat or the cloth, whether it fits, and how much to buy."""

from __future__ import annotations

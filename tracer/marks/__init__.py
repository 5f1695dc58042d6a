"""Marks drawn clean: circles, crosses, notches and lines measured in the light, as outlines are."""

from tracer.marks.sharpen import sharpen

__all__ = ["sharpen"]

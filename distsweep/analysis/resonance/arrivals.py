"""Temporary: until the module on reflected power is there."""

from __future__ import annotations


def first_reflection_s(impulse):  # type: ignore
    return None

"""Makeweight: order events in, gifts allocated, pick tickets out."""

__version__ = "0.1.0"

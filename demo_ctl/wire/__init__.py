"""Frames and messages between host and board: the only room where bytes have meaning.

Host and board import the same modules, so everything here stays in the subset that MicroPython runs.
"""

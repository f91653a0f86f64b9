"""Tests of the desk: its pages as browsers and programs ask for them."""

"""Drawn programs and load logs on which contact from load alone is measured."""

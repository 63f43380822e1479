"""Watches: what somebody wants to be told about a site, what is due, and what was told already.

``config`` reads the file, ``times`` turns local days and times into instants, ``due`` compares
what is with what was told, ``state`` remembers, ``run`` puts one run together. Nothing here reads
the clock, fetches, or writes a message: those come in as functions.
"""

"""GRIB edition 2: from bytes to messages, and from a message to its values."""

from wxgate.grib.reader import Message, iterate_messages, message_length, read_messages

__all__ = ["Message", "iterate_messages", "message_length", "read_messages"]

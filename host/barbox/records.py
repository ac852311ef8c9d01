"""One record class for each row of the message table: a named tuple, `kind` and `number` first.

Arrays are tuples and text is str. The classes are made from the table at import; `records.pyi`, which tells type
checkers their fields, is printed from the same table by `python -m barbox.proto`.
"""

from collections import namedtuple

from shared_proto.messages import MESSAGES


def class_name(message):
    """ "setting_get" becomes "SettingGet"."""
    return message.name.title().replace("_", "")


RECORDS = {}  # by kind of message
for _m in MESSAGES:
    _c = namedtuple(class_name(_m), ["kind", "number"] + [f[0] for f in _m.fields])
    _c.__doc__ = f"{_m.help[0].upper()}{_m.help[1:]} (from the {_m.sender})."
    _c.__module__ = __name__
    RECORDS[_m.kind] = globals()[_c.__name__] = _c

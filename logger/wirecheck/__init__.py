"""Does a rig obey the line protocol? Asked by talking to it, answered point by point with the evidence.

| module | |
|---|---|
| `points` | a point of the protocol, what was found of it, the report |
| `session` | a conversation with everything said and heard kept; the link to a port |
| `lines` | what the lines themselves show: check, form, number of values, boot, marks |
| `order` | what the sequence of samples shows: each once, no gaps, the same when sent again |
| `timing` | what the uptimes show |
| `identity` | who the rig says it is, and whether that will always fit in a line |
| `dialogue` | what has to be asked: resume, acknowledge, period, strangers |
| `stress` | junk, a flood, the depth of the buffer |
| `hands` | what a person has to do: reset it, drive an input over its range |
| `checker` | the order in which all this is done |
| `commands` | the command line |

Judges are pure functions of what was said and heard, so that a test can hand them a rig that is broken in one way.
The law is firmware_notes/line-protocol.md.
"""

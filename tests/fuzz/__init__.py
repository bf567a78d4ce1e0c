"""Fuzzing: every way by which a file or a message of others comes in, and commands that are struck while they write.

``python -m tests.fuzz [TARGET …] --seconds 600`` fuzzes for as long as it is let (``--seed``, ``--keep FOLDER``);
``test_fuzz_short.py`` is the short form of the gate. Inputs begin with whole files, are changed by what they are (TOML
and JSON by values, DXF by group codes, zip by entries, SQLite by rows, the rest by bytes), and those that reach new
lines of ours are kept and changed further. To try an input that broke something again: give its file to
``TARGETS[name].attempt``.

What counts as broken: an exception that is not ours, the words "a fault in route3d itself", more than 20 s of the
processor for a small file, more than 3 GB, a process that dies, an exit status other than README says, status 0 with
something unread, NaN in results, half-written files left behind.

| target | what comes in | what broke when it was first fuzzed, and was mended |
|---|---|---|
| project | the project file, as far as its tables | lists nested by the thousand; numbers of thousands of digits |
| commands | the project file, through whole commands | counts past any float; control characters in names |
| rules | a rule file of a project's own | numbers past any float; a device in place of a file |
| dxf, routes | a drawing, as building and as runs | an end of file where the library awaits a tag |
| mesh, scan, ifc | other models | a limit of memory set from outside was taken for a damaged file |
| results | results of an earlier check, compared | places further away than any building |
| bcf, bcf-taken | a BCF file: read, written onto, taken in | the close-up of a kink; a pipe was waited for |
| store | the database of decisions, by bytes and by rows | text, dates and rows that are none |
| edits, journal | messages of a page, drafts left behind | nothing |

``kills.py`` strikes a command right before its n-th change of a file, by death or by a full disk, for every n. Nothing
was lost by it; what broke beside it: ``--json /dev/null`` replaced the device, names of 255 bytes could not be written,
``demo`` wrote over a project of one's own, output on a full disk ended in a traceback.
"""

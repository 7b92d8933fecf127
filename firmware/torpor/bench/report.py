"""What bring-up found, line by line and as one record. Law: an item is printed as soon as it is known; no secret is.

A line is `result item (fault): value | limit | what to do`; docs/bringup.md has the faults. The record is one line of
JSON at the end, on the console and never through a file.
"""

import json

from .. import VERSION

PASS = "pass"
FAIL = "fail"
NOT_FITTED = "not fitted"
NOTE = "note"
# what is being tried: where a board resets, this was its last line
NOW = "now"
WIDTH = 12


class Report:
    """out(text, end): takes what goes to the console, as print does.

    label: what stands on the board; eui: its 8 bytes.

    `items` and `numbers` go into the record; `kept` holds what must not be collected before the next reset.
    """

    def __init__(self, out, label, eui, node):
        self._out = out
        self._head = {"label": label, "chip": "".join([f"{byte:02x}" for byte in bytes(eui)]), "node": node}
        self.items = []
        self.numbers = {}
        self.notes = []
        self.failed = 0
        self.kept = []

    def passed(self, item, value="", limit=""):
        self._item(PASS, item, value, limit, "", "")

    def fail(self, item, fault, value, limit="", do=""):
        self.failed += 1
        self._item(FAIL, item, value, limit, do, fault)

    def not_fitted(self, item, value=""):
        self._item(NOT_FITTED, item, value, "", "", "")

    def judge(self, good, item, fault, value, limit, do):
        """pass where `good`, else fail; one line either way."""
        if good:
            self.passed(item, value, limit)
        else:
            self.fail(item, fault, value, limit, do)

    def note(self, text):
        """Something to know that is neither right nor wrong."""
        self.notes.append(text)
        self._line(NOTE, text)

    def now(self, item):
        """Say what is tried before it is: some calls end in a reset."""
        self._line(NOW, item)

    def end(self, time_s):
        """The verdict and the record. time_s: seconds since 1970, None: not known."""
        good = 0
        for item in self.items:
            good += item["result"] == PASS
        self._line(NOTE, f"{good} passed, {self.failed} failed, {len(self.items) - good - self.failed} not fitted")
        record = self.record(time_s)
        # piece by piece: a small heap has no room for all of it in a row
        before = "{"
        for key in record:
            self._out(f'{before}"{key}": ', end="")
            before = ", "
            if key == "items":
                self._list(record[key])
            else:
                self._out(json.dumps(record[key]), end="")
        self._out("}")
        return record

    def _list(self, entries):
        before = "["
        for entry in entries:
            self._out(before + json.dumps(entry), end="")
            before = ", "
        self._out("]" if entries else "[]", end="")

    def record(self, time_s):
        record = {"bringup": 1, "firmware": VERSION, "time_s": time_s, "failed": self.failed}
        record.update(self._head)
        record["items"] = self.items
        record["numbers"] = self.numbers
        record["notes"] = self.notes
        return record

    def _item(self, result, item, value, limit, do, fault):
        self.items.append({"item": item, "result": result, "value": value, "limit": limit, "do": do, "fault": fault})
        text = f"{item} ({fault})" if fault else item
        rest = value
        if limit or do:
            rest += " | " + limit
        if do:
            rest += " | " + do
        self._line(result, f"{text}: {rest}" if rest else text)

    def _line(self, result, text):
        self._out(f"{result:<{WIDTH}}{text}")


def said(error):
    """An exception in one short line."""
    text = " ".join(str(error).split())
    name = type(error).__name__
    return f"{name}: {text}"[:120] if text else name

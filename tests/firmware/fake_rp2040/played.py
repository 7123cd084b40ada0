"""A script played to the board, and what the board sent. The same under CPython and under MicroPython, byte for byte."""

from rig import RIG


class Told:
    """A link to a host that says its lines at set times, and takes nothing between others.

    `say`: (us, text) each. `deaf`: (from, to) each, in which there is no room on the line.
    """

    def __init__(self, say, deaf):
        self.say, self.deaf = list(say), deaf
        self.sent = []

    def ready(self):
        return not any(begin <= RIG.now < end for begin, end in self.deaf)

    def write(self, data):
        self.sent.append(data)

    def read(self):
        if not self.say or RIG.now < self.say[0][0]:
            return None
        us, text = self.say.pop(0)
        if len(text) > 1:
            self.say.insert(0, (us, text[1:]))
        return ord(text[0])


def played(script, folder):
    """Bytes. `script`: what Rig.script reads, say and deaf as above, and deeds: (us, channel, spoil, hush or speak)."""
    import main

    RIG.script(script)
    RIG.pace = script.get("pace", 100)
    link = Told(script.get("say", []), script.get("deaf", []))
    deeds = sorted([tuple(deed) for deed in script.get("deeds", [])])
    for _ in main.boards(link, folder):
        while deeds and deeds[0][0] <= RIG.now:
            _, channel, what = deeds.pop(0)
            if what == "spoil":
                RIG.gauges[channel].spoiled = True
            else:
                RIG.gauges[channel].hushed = what == "hush"
        if RIG.now >= script["until"]:
            break
    return b"".join(link.sent)


class Line:
    """A link by two functions: `hear` gives a byte or None, `say` takes bytes."""

    def __init__(self, hear, say):
        self.hear, self.write = hear, say

    def ready(self):
        return True

    def read(self):
        byte = self.hear()
        if byte is not None:
            RIG.heard()
        return byte


def live(script, folder, hear, say):
    """A script played to whoever is at the other end, for ever. `set`: what the board's settings say, as in `set` lines."""
    import main
    from settings import Settings

    settings = Settings(folder)
    assert all(settings.set(text) for text in script["set"])
    settings.store()
    RIG.script(script)
    RIG.pace = script.get("pace", 100)
    for _ in main.boards(Line(hear, say), folder):
        pass

"""The words of `NOTES.txt`, apart from what each pack has of its own.

How to practise is common practice among teachers of jazz; the cautions are those of the README,
with the figure of WHO and ITU for loudness (H.870, safe listening: 80 dB(A) for 40 hours a week).
"""

from __future__ import annotations

from drillgen.page.models import ALONE, INDEX

# What to open first: the page, or else a track with its line, or else one without.
OPEN_PAGE = "Open this in a browser. It is the practice page, and needs no network:"
HEAR_LINE = "Listen to this. The line is played, then there is room to play it back:"
HEAR = "Listen to this:"

# What is in the name of such a file, and what it is.
CONTENTS: tuple[tuple[str, str], ...] = (
    (INDEX, "index.html: the practice page. Leave it beside the rest of this folder."),
    (ALONE, "page.html: the practice page in one file, which can travel alone."),
    ("booklet.pdf", "booklet.pdf: every sheet of the lesson, to print; the answers come last."),
    (".m3u8", "….m3u8: a playlist, for any player."),
    ("/", "A folder for each drill; where they are numbered, that is their order."),
    (" with line.", "… with line: the band and the line, to listen to and to answer."),
    (" with line.", "The same without “with line”: the band alone, to play the line over."),
    (".mid", "….mid: the same as MIDI, for a keyboard or a notation program."),
    (".pdf", "….pdf: the sheet, to print."),
    (".musicxml", "….musicxml: the notes, for a notation program."),
    (" answers.", "… answers: what was called. Look only when you have answered by ear."),
    ("stems/", "stems: each part alone."),
    ("loops/", "loops: each key by itself, to go round and round without a seam."),
)
OTHER_MIXES = "other mixes, of the parts that their names say."
TWO_SIDES = "In “left and right” the band is on the left and the line on the right."

PRACTICE: tuple[str, ...] = (
    "Hear. Leave the bass alone and listen to a call. Where does it begin, and where does it go?",
    "Sing. Sing it back in the gap, on any syllable. What you can sing, your hands can find.",
    "Play back. Now on the bass, in the gap, at once. Where a note is wrong, sing it again rather "
    "than hunt for it.",
    "Round the keys. Stay in one key until it is easy, then let the track carry you through the "
    "others. The same line sits differently under the hand in each.",
    "Slowly first. Begin with the slowest tempo. Go one faster when you have answered in every "
    "key, in time and with loose hands, on two days running. Where it falls apart, go back one.",
    "Then alone. Play the line over the band without it, then something of your own.",
    "Short and often. Ten minutes twice a day do more than two hours on a Sunday.",
)

CARE: tuple[str, ...] = (
    "Start quietly. As a yardstick, the World Health Organization and ITU (H.870) take 80 dB(A) "
    "for 40 hours a week as the most that adults should hear; 3 dB more halves the time. On "
    "headphones, keep to a level at which you can still hear someone speak to you.",
    "Raise your playing time little by little, warm up, and take a break at least every half hour.",
    "Stop when something hurts, tingles or goes numb, and if it stays or comes back, see a "
    "clinician. A ringing in the ears after playing is a sign, too.",
    "This is general advice. What a clinician tells you, and the rules of your school, workplace "
    "or country, go before it.",
)

HANDING_ON: tuple[str, ...] = (
    "What this licence allows for music made with the sounds holds for the recordings in this "
    "folder. The program that made them claims nothing on them, on the notes or on the sheets. "
    "A melody or a text that somebody wrote into a drill is theirs: ask them.",
)

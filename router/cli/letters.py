"""Large letters for a terminal: five lines high, to be read from where the child is."""

from __future__ import annotations

_ROWS = 5
_FONT = {
    letter: rows.split("/")
    for letter, rows in {
        "A": " ### /#   #/#####/#   #/#   #",
        "D": "#### /#   #/#   #/#   #/#### ",
        "E": "#####/#    /#### /#    /#####",
        "F": "#####/#    /#### /#    /#    ",
        "G": " ####/#    /#  ##/#   #/ ####",
        "H": "#   #/#   #/#####/#   #/#   #",
        "L": "#    /#    /#    /#    /#####",
        "N": "#   #/##  #/# # #/#  ##/#   #",
        "O": " ### /#   #/#   #/#   #/ ### ",
        "P": "#### /#   #/#### /#    /#    ",
        "R": "#### /#   #/#### /#  # /#   #",
        "S": " ####/#    / ### /    #/#### ",
        "T": "#####/  #  /  #  /  #  /  #  ",
        "W": "#   #/#   #/# # #/## ##/#   #",
        "Y": "#   #/ # # /  #  /  #  /  #  ",
        "0": " ### /#  ##/# # #/##  #/ ### ",
        "1": "  #  / ##  /  #  /  #  / ### ",
        "2": "#### /    #/ ### /#    /#####",
        "3": "#### /    #/ ### /    #/#### ",
        "4": "#   #/#   #/#####/    #/    #",
        "5": "#####/#    /#### /    #/#### ",
        "6": " ### /#    /#### /#   #/ ### ",
        "7": "#####/    #/   # /  #  /  #  ",
        "8": " ### /#   #/ ### /#   #/ ### ",
        "9": " ### /#   #/ ####/    #/ ### ",
        " ": "     /     /     /     /     ",
    }.items()
}


def large(text: str, sign: str) -> list[str]:
    """The lines of a text in large letters, drawn with ``sign``.

    Raises:
        KeyError: a letter that no step uses.
    """
    letters = [_FONT[letter] for letter in text]
    return ["  ".join(letter[row] for letter in letters).replace("#", sign) for row in range(_ROWS)]

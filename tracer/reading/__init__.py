"""Reading words from a picture. Needs the extra ``words``: rapidocr on onnxruntime, whose models come inside the wheel.

Places with text are turned so that their lines lie level, brought to one size of lettering and laid out together on
few pages, on which the reader's detector finds lines. Each line is then cut out of the picture itself, as sharp as it
is there, and read. Which way up a place stands is told by reading its longest line both ways: one of them makes sense.
"""

"""A PDF that is written page by page: what is finished leaves memory at once.

The PDF library keeps every page until the file is saved. Here a finished page goes to the file as soon as the next one
begins; what stays is its place in the file, eight bytes an object. Fonts and the page tree follow at the end, as the
format allows.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from reportlab.pdfbase import pdfdoc
from reportlab.pdfgen.canvas import Canvas

from route3d.reports.writing import whole_file


@contextmanager
def pdf_pages(path: Path, size: tuple[float, float], title: str) -> Iterator[Canvas]:
    """Give a canvas of ``size`` (points) whose pages are written to ``path`` as they are finished.

    The file takes its place only when all of it is written, as with ``writing.whole_file``. The same drawing gives
    the same bytes.

    Raises
    ------
    InputError
        The folder cannot be written to.
    """
    with whole_file(path) as file:
        canvas = Canvas(str(path), pagesize=size, pageCompression=1, invariant=1)
        document = _Document(file)
        canvas._doc = document
        canvas.setTitle(title)
        canvas.setCreator("route3d")
        yield canvas
        document.finish(canvas)


class _Document(pdfdoc.PDFDocument):  # type: ignore[misc]
    """The library's document, whose pages are formatted and let go when they are added."""

    def __init__(self, file: IO[bytes]) -> None:
        super().__init__(compression=1, invariant=1)
        self._file = file
        self._offsets = array("Q", [0])  # by object number; 0: not written yet
        self._pages = array("L")  # object numbers
        self._at = 0
        self.Reference(self.Pages)
        self._write(b"%%PDF-%d.%d\n%%\xe2\xe3\xcf\xd3\n" % self._pdfVersion)

    def addPage(self, page: pdfdoc.PDFPage) -> None:  # noqa: N802 - the library calls it by this name
        """Write a page and its content, and forget both."""
        content = pdfdoc.PDFStream(content=page.stream, filters=[pdfdoc.PDFZCompress])
        page.Contents = content  # the library's own choice writes it as text, a quarter longer
        before = self.objectcounter
        self.Reference(page, self.thisPageName())
        self._pages.append(self.objectcounter)
        number = before
        while number < self.objectcounter:  # formatting the page adds its content
            number += 1
            self._put(number)
            name = self.numberToId.pop(number)
            del self.idToObject[name], self.idToObjectNumberAndVersion[name]
        self.pageCounter += 1
        self.inObject = None

    def finish(self, canvas: Canvas) -> None:
        """Write fonts, page tree, cross-reference table and trailer."""
        for font in self.delayedFonts:
            font.addObjects(self)
        self.info.invariant = self.invariant
        self.info.digest(self.signature)
        catalog, info = self.Reference(self.Catalog), self.Reference(self.info)
        self.Outlines.prepare(self, canvas)
        if self.Outlines.ready < 0:
            self.Catalog.Outlines = None
        tree = self.idToObjectNumberAndVersion[self.Pages.__InternalName__][0]
        number = 0
        while number < self.objectcounter:
            number += 1
            if number == tree:
                kids = b" ".join(b"%d 0 R" % page for page in self._pages)
                self._note(number)
                self._write(b"%d 0 obj\n<< /Type /Pages /Count %d /Kids [ %s ] >>\nendobj\n" % (
                    number, len(self._pages), kids,
                ))  # fmt: skip
            elif number >= len(self._offsets) or not self._offsets[number]:
                self._put(number)
        start = self._at
        self._write(b"xref\n0 %d\n0000000000 65535 f \n" % (self.objectcounter + 1))
        for number in range(1, self.objectcounter + 1):
            self._write(b"%010d 00000 n \n" % self._offsets[number])
        trailer = pdfdoc.PDFTrailer(
            startxref=start, Size=self.objectcounter + 1, Root=catalog, Info=info, ID=self.ID()
        )  # fmt: skip
        self._write(pdfdoc.pdfdocEnc(trailer.format(self)))

    def _put(self, number: int) -> None:
        name = self.numberToId[number]
        # formatted before its place is noted, since formatting may add objects, but writes none
        formatted = pdfdoc.PDFIndirectObject(name, self.idToObject[name]).format(self)
        self._note(number)
        self._write(pdfdoc.pdfdocEnc(formatted))

    def _note(self, number: int) -> None:
        self._offsets.extend([0] * (number + 1 - len(self._offsets)))
        self._offsets[number] = self._at

    def _write(self, content: bytes) -> None:
        self._file.write(content)
        self._at += len(content)

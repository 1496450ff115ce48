"""What a page looks like."""

from io import BytesIO

from PIL import Image


def image(page):
    """A whole page in grey, as a scanner would see it."""
    return Image.open(BytesIO(page.screenshot(full_page=True))).convert("L")

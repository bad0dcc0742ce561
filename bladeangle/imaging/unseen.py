"""A photograph in which no ring is found -> what may be to blame, in words."""

from __future__ import annotations

from bladeangle.base.files import import_cv2
from bladeangle.imaging.photo import Photo

#: The picture is judged at about this many pixels of its longer side.
SIDE_PX = 1000
#: Perceptual blur (Crete et al. 2007), 0 to 1, from which a picture is out of focus all over: photographs of rotors on
#: their ring have 0.31 to 0.34 and scikit-image's own ones 0.19 to 0.44; with a Gaussian blur of 2 px of the judged
#: picture, some 8 px of a file of 12 megapixels, in which markers are no longer read, rotors have 0.61 to 0.66.
BLURRED = 0.55


def why_unseen(photo: Photo) -> str:
    """What of the photograph itself may hide a ring, as a sentence with a blank after it; empty where nothing is wrong.

    Blur by `skimage.measure.blur_effect`, contrast by `skimage.exposure.is_low_contrast`: a fifth of a second, and as
    much as a second for their import, which only those wait for whose photograph shows no ring.
    """
    from skimage.exposure import is_low_contrast
    from skimage.measure import blur_effect

    cv2 = import_cv2()
    image = photo.encoded
    factor = max(1, round(max(image.shape) / SIDE_PX))
    height, width = image.shape[0] // factor, image.shape[1] // factor
    small = cv2.resize(image[: height * factor, : width * factor], (width, height), interpolation=cv2.INTER_AREA)
    if is_low_contrast(small):
        return "The picture has hardly any contrast: it is far too dark, far too bright, or of one colour. "
    if blur_effect(small) > BLURRED:
        return "The picture is out of focus all over. "
    return ""

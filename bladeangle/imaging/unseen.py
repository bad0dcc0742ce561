"""A photograph in which no ring is found -> what may be to blame, in words."""

from __future__ import annotations

from bladeangle.base.files import import_cv2
from bladeangle.imaging.photo import Photo
from bladeangle.tuning.imaging import UNSEEN


def why_unseen(photo: Photo) -> str:
    """What of the photograph itself may hide a ring, as a sentence with a blank after it; empty where nothing is wrong.

    Blur by `skimage.measure.blur_effect`, contrast by `skimage.exposure.is_low_contrast`: a fifth of a second, and as
    much as a second for their import, which only those wait for whose photograph shows no ring.
    """
    from skimage.exposure import is_low_contrast
    from skimage.measure import blur_effect

    cv2 = import_cv2()
    image = photo.encoded
    factor = max(1, round(max(image.shape) / UNSEEN.judged_side_px))
    height, width = image.shape[0] // factor, image.shape[1] // factor
    small = cv2.resize(image[: height * factor, : width * factor], (width, height), interpolation=cv2.INTER_AREA)
    if is_low_contrast(small):
        return "The picture has hardly any contrast: it is far too dark, far too bright, or of one colour. "
    if blur_effect(small) > UNSEEN.perceptual_blur:
        return "The picture is out of focus all over. "
    return ""

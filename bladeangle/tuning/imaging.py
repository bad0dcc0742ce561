"""Tuned values of `imaging/`: what each is, what says so, and what a change of half does."""

from __future__ import annotations

from dataclasses import dataclass

from bladeangle.tuning.value import COMMON_PRACTICE, JUDGEMENT, NOT_READ, Group, tuned


@dataclass(eq=False, repr=False, init=False)
class Camera(Group):
    """Values of a camera file (`imaging/camera.py`)."""

    uncalibrated_sigma: tuple[float, float, float, float, float, float, float, float] = tuned(
        (0.04, 0.01, 0.01, 0.06, 0.1, 0.001, 0.001, 0.02),
        unit="1",
        meaning=(
            "prior standard uncertainties of an uncalibrated phone, in the order of CAMERA_PARAMETERS: of the focal "
            "length over it (EXIF rounds the 35 mm equivalent to whole mm and rounds the sensor's diagonal), of the "
            "centre over the longer side, of distortion after the phone's own correction"
        ),
        evidence=COMMON_PRACTICE,
        sensitivity=NOT_READ,
    )


@dataclass(eq=False, repr=False, init=False)
class Compression(Group):
    """Values of how strongly a picture was compressed (`imaging/compression.py`)."""

    coarse_entry: float = tuned(
        26.0,
        unit="grey levels",
        meaning="mean entry of the file's own table for brightness from which it is coarse",
        evidence="libjpeg's quality of 77; from memory: phones save with 90 and more, messengers with 50 to 75",
        sensitivity="half and half more: nothing (pair)",
    )
    own_table_steps: float = tuned(
        1.15,
        unit="1",
        meaning=(
            "steps at the squares' borders over those elsewhere to which pictures come by their own table, less what "
            "its mean entry adds"
        ),
        evidence=(
            "820 rendered pictures up to 1.71 at an entry of 10, 2.01 at 15 and 2.14 at 16; compressed three times at "
            "30 to 60 and saved at 92 (entry 9) from 1.8 on"
        ),
        sensitivity="half and half more: nothing (pair)",
    )
    own_table_growth: float = tuned(
        0.065,
        unit="1",
        meaning="growth of the same with the mean entry",
        evidence="as `own_table_steps`",
        sensitivity="half and half more: nothing (pair)",
    )
    scene_step: int = tuned(
        12,
        unit="grey levels",
        meaning="steps between neighbouring pixels beyond which they are the scene's",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )


@dataclass(eq=False, repr=False, init=False)
class Photo(Group):
    """Values of the size at which photographs are worked on (`imaging/photo.py`)."""

    largest_scale: float = tuned(
        1.25,
        unit="1",
        meaning="how many times longer than usual (`photo.USUAL_SIDE_PX`) a photograph may be before it is reduced",
        evidence="one of half as many pixels is measured as well",
        sensitivity="half: 0.51 u at most, 0.22 rms, z2 -32 %; half more: nothing (pair)",
    )


@dataclass(eq=False, repr=False, init=False)
class Profiles(Group):
    """Values of profiles across an edge (`imaging/profiles.py`)."""

    white_light: float = tuned(
        0.985,
        unit="1",
        meaning="linear light, full scale 1, from which a sample counts as white (254 of 255 encoded)",
        evidence=JUDGEMENT,
        sensitivity="half: 0.66 u at most, 0.28 rms, z2 +637 %, 1 angle lost; half more: nothing (pair)",
    )
    white_share: float = tuned(
        0.4,
        unit="1",
        meaning="share of white pixels along the edge from which the median of a sample is white too, nearly",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 0.68 u at most, 0.23 rms, coverage -4.2 %, z2 +20 %; half more: 0.3 u at most, 0.11 rms (five, "
            "eight)"
        ),
    )
    glare_log_sigma: float = tuned(
        2.0,
        unit="1",
        meaning="standard deviation of the logarithm of how much brighter than white a glare is",
        evidence=(
            "assumed, no source: metal that just reaches white is common, and a lamp mirrored in it often ten times as "
            "bright"
        ),
        sensitivity=(
            "half: 0.33 u at most, 0.12 rms, z2 +13 %; half more: 0.42 u at most, 0.12 rms, z2 -1 % (five, eight)"
        ),
    )


@dataclass(eq=False, repr=False, init=False)
class Quality(Group):
    """Values of whether a photograph is good enough (`imaging/quality.py`)."""

    blur_good_px: float = tuned(
        1.6,
        unit="px",
        meaning="blur (standard deviation in the worst direction) up to which a photograph is good",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    blur_usable_px: float = tuned(
        3.0,
        unit="px",
        meaning="blur up to which it is usable",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    blur_most_px: float = tuned(
        4.4,
        unit="px",
        meaning="blur up to which it is measured at all",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    motion_ratio: float = tuned(
        1.7,
        unit="1",
        meaning="worst direction's blur over the best one's, from which the phone has moved",
        evidence=JUDGEMENT,
        sensitivity=NOT_READ,
    )
    good_light: float = tuned(
        0.3,
        unit="1",
        meaning="linear light of paper, full scale 1, from which light is good",
        evidence=JUDGEMENT,
        sensitivity=NOT_READ,
    )
    usable_light: float = tuned(
        0.1,
        unit="1",
        meaning="linear light of paper from which light is usable",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    least_light: float = tuned(
        0.02,
        unit="1",
        meaning="linear light of paper that is enough to measure at all",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    white_light: float = tuned(
        0.96,
        unit="1",
        meaning="linear light above which paper is clipped to white",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    white_share: float = tuned(
        0.1,
        unit="1",
        meaning="share of the paper that may be clipped to white",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    gap_overhead_deg: float = tuned(
        45.0,
        unit="deg",
        meaning="largest turn without a marker, seen from overhead",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    gap_oblique_deg: float = tuned(
        160.0,
        unit="deg",
        meaning="largest turn without a marker, seen from the side, where the rotor hides the far markers",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (five, eight); decides on a doubt alone",
    )
    gap_most_deg: float = tuned(
        180.0,
        unit="deg",
        meaning="largest turn without a marker with which a photograph from overhead is measured without a doubt",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    gap_most_oblique_deg: float = tuned(
        240.0,
        unit="deg",
        meaning="the same from the side, where others show the rest of the ring",
        evidence="with 188 to 208 deg all four rendered sets were right",
        sensitivity=NOT_READ,
    )
    overhead_deg: float = tuned(
        20.0,
        unit="deg",
        meaning="slant from which a photograph counts as oblique for the gap",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    few_markers: int = tuned(
        9,
        unit="count",
        meaning="fewer markers than this leave the camera's place doubtful, seen from overhead",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    off_place_mm: float = tuned(
        2.0,
        unit="mm",
        meaning="a marker is off its place when it lies farther off than this, and off by `off_place_ratio`",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    off_place_ratio: float = tuned(
        5.0,
        unit="1",
        meaning=(
            "a marker is off its place when it lies farther off than so many times the median, and by `off_place_mm`"
        ),
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    another_ring_mm: float = tuned(
        1.5,
        unit="mm",
        meaning="when half of the markers are farther off than this, the definition is of another ring",
        evidence="judgement: sheets lie within 1 mm",
        sensitivity="half and half more: nothing (pair)",
    )
    zoomed_mm: float = tuned(
        40.0,
        unit="mm",
        meaning=(
            "markers that lie off their places by more than this times the departure of their size are of a zoomed "
            "picture and not of another ring"
        ),
        evidence="other rings 12 (36 cases), zoomed pictures from the side 85 and more (8)",
        sensitivity="half and half more: nothing (pair); decides on a refusal alone",
    )
    another_ring_size: float = tuned(
        0.015,
        unit="1",
        meaning=(
            "when markers are larger or smaller than defined by this beside their distances, the definition is of "
            "another ring"
        ),
        evidence="judgement: ink spreads by a tenth of a millimetre at most",
        sensitivity="half and half more: nothing (pair)",
    )
    focal_35mm_share: float = tuned(
        0.02,
        unit="1",
        meaning=(
            "difference of the 35 mm focal lengths of photograph and camera file from which they do not confirm each "
            "other"
        ),
        evidence="EXIF rounds it to whole mm; one lens gives one value, give or take one",
        sensitivity="half and half more: nothing (pair)",
    )
    other_35mm_share: float = tuned(
        0.06,
        unit="1",
        meaning="difference of the 35 mm focal lengths from which it is another lens",
        evidence="judgement: give or take one of EXIF's whole mm is no other lens",
        sensitivity="half and half more: nothing (pair)",
    )
    focal_share: float = tuned(
        0.12,
        unit="1",
        meaning="difference of the focal lengths by EXIF and by calibration from which they do not confirm each other",
        evidence="from memory: those of one phone differ by a few percent, those of two lenses by far more",
        sensitivity=NOT_READ,
    )
    zoom: float = tuned(
        1.01,
        unit="1",
        meaning="digital zoom from which a photograph counts as zoomed",
        evidence="1 is none; EXIF may round",
        sensitivity="half: 15 angles lost; half more: nothing (pair)",
    )
    enlarged_line: float = tuned(
        4.5,
        unit="1",
        meaning=(
            "how far a line in the spectrum of second differences must stand out to say that a picture was enlarged"
        ),
        evidence=(
            "1,083 rendered and path-traced pictures reach 2.4 (median) to 4.5, one on a cutting mat 7.0; 38 of them "
            "enlarged by 5 to 70 % 6.4 and more, 26 more 5.6 and more"
        ),
        sensitivity="half and half more: nothing (pair)",
    )
    enlarged_line_within: float = tuned(
        3.3,
        unit="1",
        meaning="the same, of that part of the picture where the ring is, for it to be believed",
        evidence=(
            "26 rendered pictures, 12 of them those that stood out most, reach 3.0 and one, not in all of the picture, "
            "4.4; enlarged by 7, 25 and 60 % 4.2 and more"
        ),
        sensitivity=NOT_READ,
    )
    line_along_rows: float = tuned(
        3.0,
        unit="1",
        meaning="below this along the rows alone a picture cannot have been enlarged",
        evidence="as taken 2.5, enlarged 9 and more",
        sensitivity="half and half more: nothing (pair)",
    )
    lowest_frequency: float = tuned(
        0.03,
        unit="1/px",
        meaning="lowest frequency at which a line is looked for; texture lies below",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    highest_frequency: float = tuned(
        0.49,
        unit="1/px",
        meaning="highest frequency at which a line is looked for; compression makes a line at a half",
        evidence="half a cycle a pixel is the border of squares of eight",
        sensitivity="half and half more: nothing (pair)",
    )
    noise_step: float = tuned(
        6.0,
        unit="grey levels",
        meaning="differences from which on scene rather than noise is seen",
        evidence="three rendered cutting mats stood out by 4.7 to 9.4 while they were looked at, now by 2.5 to 4.2",
        sensitivity="half and half more: nothing (pair)",
    )
    marker_points: int = tuned(
        12,
        unit="count",
        meaning="fewest points of a marker that tell its sharpness, or where it lies",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair)",
    )
    softer_px: float = tuned(
        1.0,
        unit="px",
        meaning=(
            "by how much, in quadrature, three neighbouring markers are softer than the middling one when something "
            "lies on the lens"
        ),
        evidence="as taken up to 0.65, behind a drop 1.2 to 1.4",
        sensitivity="half and half more: nothing (pair)",
    )
    halo: float = tuned(
        0.17,
        unit="1",
        meaning=(
            "brightness of the paper beside markers over that farther off, as a share of the contrast, from which "
            "local contrast was raised"
        ),
        evidence="phones reach 0.15, pictures of high dynamic range 0.15 to 0.6",
        sensitivity="half and half more: nothing (pair, five, eight); decides on a doubt alone",
    )
    beside_px: tuple[int, int] = tuned(
        (3, 9),
        unit="px",
        meaning="how far paper is from a marker's side that counts as beside it",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair, five, eight); decides on a doubt alone",
    )
    farther_px: tuple[int, int] = tuned(
        (17, 25),
        unit="px",
        meaning="how far paper is from a marker's side that counts as farther off",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair, five, eight); decides on a doubt alone",
    )


@dataclass(eq=False, repr=False, init=False)
class Ring(Group):
    """Values of finding the ring (`imaging/ring.py`)."""

    detection_size_px: int = tuned(
        2200,
        unit="px",
        meaning="detection runs on an image reduced until its longer side is under this",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 1.2 u at most, 0.34 rms, coverage -2.6 %, z2 +24 %; half more: 1.1 u at most, 0.31 rms, z2 +11 % "
            "(pair, five, eight)"
        ),
    )


@dataclass(eq=False, repr=False, init=False)
class Saturation(Group):
    """Values of the level at which light ends (`imaging/saturation.py`)."""

    lowest_level: int = tuned(
        205,
        unit="grey levels",
        meaning="level from which on the spike is looked for: one that light below does not reach is no end of light",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 1 u at most, 0.39 rms, z2 +10 %; half more: 2.3 u at most, 0.4 rms, z2 -15 % (pair, five, eight)"
        ),
    )
    spike_ratio: float = tuned(
        6.0,
        unit="1",
        meaning="how many times higher than the levels below it a spike must stand",
        evidence=JUDGEMENT,
        sensitivity=(
            "half: 0.18 u at most, 0.053 rms, z2 +6 %; half more: 2.2 u at most, 0.37 rms, z2 -18 % (pair, five, eight)"
        ),
    )
    spike_share: float = tuned(
        0.001,
        unit="1",
        meaning="least share of all pixels in a spike",
        evidence=JUDGEMENT,
        sensitivity="half and half more: nothing (pair, five, eight)",
    )
    smooth_share: float = tuned(
        0.25,
        unit="1",
        meaning="share of smooth places among all as bright or brighter, from which on a level is the end of light",
        evidence=(
            "path-traced and rendered photographs: 0.27 to 0.9 where metal saturates, 0.05 at most where paper is as "
            "bright as that by itself"
        ),
        sensitivity=NOT_READ,
    )


@dataclass(eq=False, repr=False, init=False)
class Unseen(Group):
    """Values of a photograph in which no ring is found (`imaging/unseen.py`)."""

    judged_side_px: int = tuned(
        1000,
        unit="px",
        meaning="the picture is judged at about this many pixels of its longer side",
        evidence=JUDGEMENT,
        sensitivity=NOT_READ,
    )
    perceptual_blur: float = tuned(
        0.55,
        unit="1",
        meaning="perceptual blur (Crete et al. 2007), 0 to 1, from which a picture is out of focus all over",
        evidence=(
            "photographs of rotors on their ring 0.31 to 0.34, scikit-image's own ones 0.19 to 0.44; with a Gaussian "
            "blur of 2 px of the judged picture, in which markers are no longer read, rotors 0.61 to 0.66"
        ),
        sensitivity=NOT_READ,
    )


CAMERA = Camera()
COMPRESSION = Compression()
PHOTO = Photo()
PROFILES = Profiles()
QUALITY = Quality()
RING = Ring()
SATURATION = Saturation()
UNSEEN = Unseen()

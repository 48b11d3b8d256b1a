"""Faces, tried with the public-domain photograph in scikit-image (`skimage.data.astronaut`)."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import skimage.data

from pipeline.analysis.identity.faces import FaceDetector, merge_faces

# Centre of the face in the photograph and its rough size, read from it by eye.
FACE = (223.0, 115.0)
FACE_PX = 100.0


def scene(size_px: float, turn_deg: float, at: tuple[float, float], seed: int) -> np.ndarray:
    """A 1080p room: grey noise with the photograph in it, the face size_px large at `at`."""
    rng = np.random.default_rng(seed)
    coarse = rng.integers(20, 120, (9, 16, 3)).astype(np.uint8)
    picture = cv2.resize(coarse, (1920, 1080), interpolation=cv2.INTER_CUBIC)
    photo = skimage.data.astronaut()
    move = cv2.getRotationMatrix2D(FACE, turn_deg, size_px / FACE_PX)
    move[:, 2] += np.array(at) - FACE
    placed = cv2.warpAffine(photo, move, (1920, 1080))
    where = cv2.warpAffine(np.full(photo.shape[:2], 255, np.uint8), move, (1920, 1080)) == 255
    picture[where] = placed[where]
    return picture


def holds(boxes: list[tuple[int, int, int, int, float]], at: tuple[float, float]) -> bool:
    return any(x <= at[0] < x + w and y <= at[1] < y + h for x, y, w, h, _ in boxes)


@pytest.fixture(scope="module")
def detector() -> FaceDetector:
    return FaceDetector()


@pytest.mark.parametrize("turn_deg", [0, 25, 90, 160, 180, 270])
@pytest.mark.parametrize("size_px", [130, 200, 320])
def test_a_face_is_found_whichever_way_it_is_turned(
    detector: FaceDetector, size_px: float, turn_deg: float
) -> None:
    at = (700.0 + 2 * turn_deg, 480.0)
    boxes = detector.boxes(scene(size_px, turn_deg, at, seed=turn_deg))
    assert holds(boxes, at)
    best = boxes[0]
    assert 0.4 * size_px < best[2] < 2.5 * size_px and 0 <= best[4] <= 1


def test_most_faces_of_80_px_are_found(detector: FaceDetector) -> None:
    turns = range(0, 360, 30)
    found = [holds(detector.boxes(scene(80, turn, (960, 500), seed=turn)), (960, 500))
             for turn in turns]  # fmt: skip
    assert sum(found) >= 8


def test_upright_only_misses_what_the_turns_find() -> None:
    picture = scene(200, 180, (960, 500), seed=1)
    whole = [(0, 0, 1920, 1080)]
    assert not holds(FaceDetector(turns=(0,)).boxes(picture, whole), (960, 500))
    assert holds(FaceDetector().boxes(picture, whole), (960, 500))


@pytest.mark.parametrize("name", ["retina", "brick", "grass", "gravel", "coins", "cell", "moon"])
def test_pictures_without_a_face(detector: FaceDetector, name: str) -> None:
    picture = getattr(skimage.data, name)()
    rgb = picture if picture.ndim == 3 else np.stack([picture] * 3, axis=2)
    rgb = np.ascontiguousarray(rgb[..., :3])
    for turn in range(2):
        assert detector.boxes(np.ascontiguousarray(np.rot90(rgb, turn))) == []


def test_boxes_stay_inside_the_picture(detector: FaceDetector) -> None:
    for at in ((60.0, 60.0), (1880.0, 1000.0)):
        for x, y, w, h, _ in detector.boxes(scene(300, 0, at, seed=3)):
            assert min(x, y) >= 0 and x + w <= 1920 and y + h <= 1080 and min(w, h) > 0


def test_odd_sizes_do_not_fail(detector: FaceDetector) -> None:
    for shape in ((1, 1, 3), (7, 300, 3), (300, 7, 3), (193, 191, 3)):
        assert detector.boxes(np.full(shape, 90, np.uint8)) == []


def test_a_face_is_followed_while_it_lasts() -> None:
    samples = [(float(t), [(100 + 5 * t, 100, 50, 60, 0.7 + 0.01 * t)] if 3 <= t <= 6 else [])
               for t in range(12)]  # fmt: skip
    (face,) = merge_faces(samples, 1.0, 640, 480, stop_s=12.0)
    assert (face.start_s, face.stop_s) == (2.0, 7.0)
    x, y, w, h = face.box_px
    for t in range(3, 7):  # holds every box, with some room
        assert x < 100 + 5 * t and x + w > 150 + 5 * t and y < 100 and y + h > 160
    assert face.confidence == pytest.approx(0.76)


def test_two_faces_stay_two_and_a_pause_parts_a_face() -> None:
    a, b = (10, 10, 40, 40, 0.9), (400, 300, 40, 40, 0.8)
    faces = merge_faces([(0, [a, b]), (1, [a, b]), (2, []), (3, []), (4, [a])], 1.0, 640, 480)
    assert len(faces) == 3
    assert faces[0].start_s == 0 and {f.stop_s for f in faces} == {2.0, 5.0}
    assert merge_faces([], 1.0, 640, 480) == []


def test_spans_end_with_the_file() -> None:
    (face,) = merge_faces([(9.0, [(10, 10, 40, 40, 0.9)])], 1.0, 640, 480, stop_s=9.5)
    assert (face.start_s, face.stop_s) == (8.0, 9.5)


def test_denser_samples_give_tighter_spans() -> None:
    box = (10, 10, 40, 40, 0.9)
    samples = [(t, [box] if 2 <= t <= 3 else []) for t in (0.0, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 5.0)]
    (face,) = merge_faces(samples, 2.0, 640, 480)
    assert (face.start_s, face.stop_s) == (1.5, 3.5)


def test_weak_single_hits_inside_the_body_do_not_count() -> None:
    from pipeline.analysis.identity.face_watch import confirmed

    weak, sure = (100, 100, 80, 80, 0.65), (100, 100, 80, 80, 0.9)
    beside = (104, 98, 80, 80, 0.62)
    looks = [(0.0, [weak]), (2.0, []), (4.0, [sure]), (6.0, []), (8.0, [weak]), (10.0, [beside])]
    kept = confirmed(looks, [True] * 6)
    assert [len(boxes) for _, boxes in kept] == [0, 0, 1, 0, 1, 1]
    # with no scope field every hit counts
    assert [len(boxes) for _, boxes in confirmed(looks, [False] * 6)] == [1, 0, 1, 0, 1, 1]


@pytest.mark.parametrize(("first", "lettering"), [(12, True), (31, True), (12, False), (31, False)])
def test_a_face_of_three_pictures_among_tissue_is_found(first: int, lettering: bool) -> None:
    """A cut to it is what is noticed: inside the body faces are looked for every 2 s only."""
    import cv2

    from pipeline.analysis.identity.detect import Detectors, Shown
    from pipeline.model.field import whole_picture

    face = np.asarray(cv2.resize(skimage.data.astronaut()[:400, :400], (480, 480)))
    eye = skimage.data.retina()
    detectors = Detectors([whole_picture(480, 480, 0, 3, 1.0).model_copy(update={
        "shape": "circle", "radius_px": 240.0, "center_x_px": 240.0, "center_y_px": 240.0,
    })], lettering)  # fmt: skip
    for number in range(50):
        rgb = face if first <= number < first + 3 else eye[300 + number :, 300:][:480, :480]
        both = cv2.cvtColor(np.ascontiguousarray(rgb), cv2.COLOR_RGB2YUV_I420)
        u, v = both[480:600].reshape(240, 240), both[600:].reshape(240, 240)
        detectors.step(Shown(number / 25, (both[:480], u, v), lambda rgb=rgb: np.array(rgb)))
    _, faces = detectors.finish(2.0)
    assert any(f.start_s <= first / 25 and f.stop_s >= (first + 2) / 25 for f in faces)

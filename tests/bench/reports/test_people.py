"""What people added to a record is on its page, and comes from nowhere else."""

import base64
from dataclasses import replace

from bench.profiles import load_profile
from bench.reports import Added, Photo, Remark, Signed, render_html, render_pdf
from tests.bench.reports.html_reading import read
from tests.bench.reports.made_run import faulty_run

PROFILE = load_profile("tandem-53ft-filament")
PNG = base64.b64decode(
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNkYPhfDwAChwGA60e6kgAAAABJRU5ErkJggg=="
)
SIGNED = Signed("2026-01-12T15:00:00+00:00", "R. Vale", "technician", "I have checked it.", "a" * 64)
ADDED = Added([Remark("2026-01-12T14:40:00+00:00", None, "ring cleaned")], [Photo("ring.png", "image/png", PNG)],
              [SIGNED])  # fmt: skip


def test_remarks_photos_and_names_are_shown() -> None:
    page = read(render_html(faulty_run(PROFILE), PROFILE, seal="a" * 64, added=ADDED))
    (picture,) = page.all("img")

    assert page.broken == []
    assert "ring cleaned" in page.words
    assert (picture.attributes["alt"], picture.attributes["src"][:22]) == (
        "Photo kept with the record: ring.png",
        "data:image/png;base64,",
    )
    assert "Signed R. Vale, technician" in page.words
    assert "another hash then" not in page.words


def test_a_name_for_another_state_of_the_record_says_so() -> None:
    other = Added(signed=[replace(SIGNED, seal="b" * 64)])

    assert (
        "The record had another hash then: bbbbbbbbbbbbbbbb"
        in read(render_html(faulty_run(PROFILE), PROFILE, seal="a" * 64, added=other)).words
    )


def test_markup_in_a_remark_stays_words() -> None:
    page = read(render_html(faulty_run(PROFILE), PROFILE, added=Added([Remark("x", "<b>", "<script>1</script>")])))

    assert page.all("script") == []
    assert "<script>1</script>" in page.words


def test_photos_go_onto_paper() -> None:
    with_photo, without = (
        render_pdf(render_html(faulty_run(PROFILE), PROFILE, added=added), "letter") for added in (ADDED, None)
    )

    assert with_photo.count(b"/Subtype /Image") + with_photo.count(b"/Subtype/Image") > without.count(b"/Image")

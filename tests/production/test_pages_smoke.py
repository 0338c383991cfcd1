from __future__ import annotations

from django.urls import reverse


def test_all_get(shop, people, client_of):
    piece = shop.piece()
    part = piece.cycle.part
    c = client_of(people.manager)
    urls = [
        reverse("production:" + n)
        for n in (
            "bench",
            "prepare",
            "plan",
            "new-batch",
            "trace",
            "lab",
            "equipment-add",
            "materials",
            "material-add",
            "combinations",
            "instructions",
            "holds",
        )
    ]
    urls += [
        reverse("production:build", args=[part.build.number]),
        reverse("production:part", args=[part.number]),
        reverse("production:piece", args=[piece.number]),
        reverse("production:forming-batch", args=[piece.cycle.batch.number]),
        reverse("production:run", args=[part.treated.first().run_id]),
        reverse("production:material", args=["grey"]),
        reverse("production:lot", args=[shop.model_lot.pk]),
        reverse("production:hand-over", args=[piece.appliance.case.number]),
    ]
    urls += [
        reverse("production:new-run", args=[s]) for s in ("drip", "wash", "dry", "remove-supports", "cure")
    ]
    urls += [reverse("production:pieces-step", args=[s]) for s in ("trim", "finish", "disinfect", "pack")]
    urls += [reverse("production:instruction", args=[s]) for s in ("wash",)] + [
        reverse("production:instruction-edit", args=["wash"])
    ]
    urls += [
        reverse("production:equipment", args=[x])
        for x in ("tank-1", "printer-1", "bath-1", "cure-1", "former-1")
    ]
    for k, r in (
        ("piece", piece.number),
        ("part", part.number),
        ("build", part.build.number),
        ("batch", piece.cycle.batch.number),
        ("case", piece.appliance.case.number),
        ("appliance", piece.appliance_id),
        ("lot", shop.model_lot.pk),
        ("lot", shop.sheet_lot.pk),
        ("equipment", "tank-1"),
        ("equipment", "printer-1"),
        ("equipment", "bath-1"),
        ("equipment", "cure-1"),
        ("equipment", "former-1"),
    ):
        urls.append(reverse("production:trace-of", args=[k, r]))
        urls.append(reverse("production:trace-csv", args=[k, r]))
    bad = []
    for u in urls:
        r = c.get(u)
        if r.status_code != 200:
            bad.append((u, r.status_code))
        if r.streaming:
            list(r.streaming_content)
    assert not bad

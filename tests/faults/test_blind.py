"""Seconds in which nothing is seen, in every stage: the cup is kept, and no number is sure and wrong."""
import blind


def shown(rows):
    return "\n".join(f"{name:24} {'kept' if kept else 'NOT KEPT'}  {'; '.join(wrong) or 'right'}  {measures}"
                     for name, kept, wrong, measures in rows)


def unplugged(bench, spells, rate):
    players = [blind.Player(bench, f"{stage}-{spell}", 0.2 * number, (at, at + spell))
               for number, (stage, at, spell) in enumerate((stage, at, spell) for stage, at in blind.STAGES.items()
                                                           for spell in spells)]
    return blind.brew_all(bench, players, rate)


def restarted(bench, spell, rate):
    latest = max(blind.STAGES.values())
    players = [blind.Player(bench, stage, latest - at) for stage, at in blind.STAGES.items()]
    return blind.brew_all(bench, players, rate, (latest, spell))


def keeps_all(rows):
    assert all(kept for _, kept, _, _ in rows), shown(rows)


def is_sure_and_wrong_in_none(rows):
    assert not any(wrong for _, _, wrong, _ in rows), shown(rows)


def test_nine_seconds_without_cable_in_any_stage_keep_the_cup(bench):      # alone long
    rows = unplugged(bench, [9], 8)
    keeps_all(rows)
    # what was seen before is not lost again
    is_sure_and_wrong_in_none([row for row in rows if not row[0].startswith(("dose", "bloom"))])


def test_brews_without_a_blind_spell_are_right(bench):  # alone long
    """What the others are measured against."""
    rows = blind.brew_all(bench, [blind.Player(bench, f"bench-{n}", 0.7 * n) for n in range(3)], 20)
    keeps_all(rows)
    is_sure_and_wrong_in_none(rows)
    assert all(set(measures) == set(blind.TRUTH) for *_, measures in rows), shown(rows)


def test_spells_without_cable_in_any_stage_keep_the_cup(bench):      # alone long
    keeps_all(unplugged(bench, [1, 5, 15, 30], 8))


def test_restarts_in_any_stage_keep_the_cup(bench):       # alone long
    keeps_all(restarted(bench, 9, 10))


def test_long_restarts_in_any_stage_keep_the_cup(bench):       # alone long
    keeps_all(restarted(bench, 30, 10))


def test_no_number_is_sure_and_wrong_after_a_spell_without_cable(bench):      # alone long
    is_sure_and_wrong_in_none(unplugged(bench, [1, 5, 15, 30], 8))


def test_no_number_is_sure_and_wrong_after_a_restart(bench):      # alone long
    is_sure_and_wrong_in_none(restarted(bench, 9, 10))


def test_no_number_is_sure_and_wrong_after_a_long_restart(bench):      # alone long
    is_sure_and_wrong_in_none(restarted(bench, 30, 10))

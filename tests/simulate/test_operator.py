import re

import numpy as np
import pandas as pd
import pytest
import shapely

from kit.findings import SEES, load_fleet
from kit.findings.tables import TABLES

IMPOSSIBLE = re.compile(r"^\d{4}-(1[3-9]|[23]\d)-\d{2}$")


def day(text):
    return pd.to_datetime(text.where(~text.str.match(IMPOSSIBLE)).replace("", None), format="%Y-%m-%d")


def current_labels(demo):
    zones = demo.tables["zones"]
    former = zones[zones["former_label"] != ""]
    return dict(zip(zones["zone"], zones["zone"], strict=True)) | dict(
        zip(former["former_label"], former["zone"], strict=True)
    )


def final(table, name):
    """Rows that no other row of the table replaces."""
    return table[~table[name].isin(set(table["replaces"]))]


def test_tables_have_the_declared_columns_and_unique_ids(demo):
    for name, table in ((name, TABLES[name]) for name in demo.tables):
        frame = demo.tables[name]
        assert list(frame.columns) == [c.name for c in table.all_columns]
        assert frame[table.id_column].is_unique
        for column in table.all_columns:
            if column.required:
                assert (frame[column.name] != "").all(), (name, column.name)
            if column.choices:
                assert set(frame[column.name]) <= {*column.choices, ""}, (name, column.name)
            if column.type == "flag":
                assert set(frame[column.name]) <= {"yes", ""}
            if column.type in ("number", "length"):
                numbers = frame.loc[frame[column.name] != "", column.name].astype(float)
                if column.minimum is not None:
                    assert (numbers >= column.minimum).all(), (name, column.name)


def test_references_exist(demo):
    labels = current_labels(demo)
    for name, table in ((name, TABLES[name]) for name in demo.tables):
        frame = demo.tables[name]
        for column in table.columns:
            if not column.refers_to:
                continue
            known = set(demo.tables[column.refers_to][TABLES[column.refers_to].id_column])
            known |= set(labels) if column.refers_to == "zones" else set()
            named = (
                frame[column.name].str.split(";").explode() if column.type == "refs" else frame[column.name]
            )
            assert set(named) - {""} <= known, (name, column.name)
        assert set(frame["replaces"]) - {""} <= set(frame[table.id_column])


def test_only_a_handful_of_dates_are_impossible_and_each_is_in_the_truth(demo):
    bad = 0
    for name, table in ((name, TABLES[name]) for name in demo.tables):
        for column in table.all_columns:
            if column.type == "date":
                text = demo.tables[name][column.name]
                wrong = text.str.match(IMPOSSIBLE)
                bad += wrong.sum()
                assert set(demo.tables[name].loc[wrong, table.id_column]) <= demo.rows_with(name, "T8")
                pd.to_datetime(text[~wrong & (text != "")], format="%Y-%m-%d")
    assert 1 <= bad <= 10  # at most five a table, of two tables


def test_nothing_is_recorded_before_it_happened_or_after_the_cut_off(demo):
    for name, event in (("cards", "closed_on"), ("inspections", "inspected_on"), ("findings", "found_on"), ("repairs", "repaired_on"),
                        ("panels", "fitted_on"), ("usage", "read_on")):  # fmt: skip
        frame = demo.tables[name]
        good = frame[~frame[TABLES[name].id_column].isin(demo.rows_with(name, "T8"))]
        assert (day(good["recorded_on"]) >= day(good[event])).all(), name
        assert day(frame["recorded_on"]).max() <= pd.Timestamp("2025-12-31")


def test_rows_are_known_no_earlier_than_the_rows_they_name(demo):
    findings, looks, cards = demo.tables["findings"], demo.tables["inspections"], demo.tables["cards"]
    for frame, column, other, key in ((findings, "inspection", looks, "inspection"), (looks, "card", cards, "card"),
                                      (demo.tables["repairs"], "finding", findings, "finding")):  # fmt: skip
        both = frame[frame[column] != ""].merge(other, left_on=column, right_on=key, suffixes=("", "_named"))
        assert (day(both["recorded_on"]) >= day(both["recorded_on_named"])).all(), column


def test_corrections_are_recorded_no_earlier_than_what_they_replace(demo):
    for name, table in ((name, TABLES[name]) for name in demo.tables):
        frame = demo.tables[name]
        both = frame[frame["replaces"] != ""].merge(
            frame, left_on="replaces", right_on=table.id_column, suffixes=("", "_old")
        )
        assert (day(both["recorded_on"]) >= day(both["recorded_on_old"])).all(), name


@pytest.mark.parametrize("known_on", ["2013-06-01", "2019-06-30", "2025-12-31"])
def test_panels_are_at_one_place_and_places_hold_one_panel_as_known_on(demo, known_on):
    panels = demo.tables["panels"]
    known = final(panels[panels["recorded_on"] <= known_on], "fitting")
    for by in (["panel"], ["aircraft", "zone"]):
        rows = known.sort_values([*by, "fitted_on"])
        previous_end = rows.groupby(by)["removed_on"].shift()
        open_before = previous_end.eq("") | (previous_end > rows["fitted_on"])
        assert not (open_before & previous_end.notna()).any(), by


def test_looks_and_findings_lie_within_the_fitting_of_the_panel_they_name(demo):
    labels = current_labels(demo)
    panels = final(demo.tables["panels"], "fitting")
    for name, event in (("inspections", "inspected_on"), ("findings", "found_on")):
        rows = demo.tables[name]
        rows = rows[
            (rows["panel"] != "")
            & ~rows[TABLES[name].id_column].isin(
                demo.rows_with(name, "T5", "T8") - demo.rows_with(name, "T9")
            )
        ]
        wrong = demo.blemishes.query("table == @name and trap == 'T9' and change != 'left blank'")["row"]
        rows = rows[~rows[TABLES[name].id_column].isin(set(wrong))]
        rows = rows.assign(zone=rows["zone"].map(labels))
        both = rows.merge(panels, on=["aircraft", "zone", "panel"], suffixes=("", "_fit"))
        inside = (both["fitted_on"] <= both[event]) & (
            both["removed_on"].eq("") | (both[event] < both["removed_on"])
        )
        assert set(both.loc[inside, TABLES[name].id_column]) == set(rows[TABLES[name].id_column])


def test_repairs_end_before_the_next_panel_is_fitted_and_the_next_look(demo):
    repairs = demo.tables["repairs"].merge(demo.tables["findings"], on="finding", suffixes=("", "_find"))
    repairs = repairs[~repairs["finding"].isin(demo.rows_with("findings", "T8"))]
    delay = (day(repairs["repaired_on"]) - day(repairs["found_on"])).dt.days
    assert delay.between(0, 4).all()
    assert (
        repairs["disposition"].isin(
            ["permanent_repair", "panel_replaced", "temporary_repair", "engineering_disposition"]
        )
    ).all()


def test_polygons_are_valid_and_inside_their_zone(demo):
    labels = current_labels(demo)
    zones = demo.tables["zones"].set_index("zone")["outline"].map(shapely.from_wkt)
    findings = demo.tables["findings"].query("outline != ''")
    polygons = shapely.from_wkt(findings["outline"].to_numpy())
    outlines = zones.loc[findings["zone"].map(labels)].to_numpy()
    assert shapely.is_valid(polygons).all()
    assert shapely.covers(outlines, polygons).all()
    assert 0.68 < len(findings) / len(demo.tables["findings"]) < 0.80
    repairs = (
        demo.tables["repairs"]
        .query("region != ''")
        .merge(demo.tables["findings"][["finding", "zone"]], on="finding")
    )
    regions = shapely.from_wkt(repairs["region"].to_numpy())
    assert shapely.is_valid(regions).all()
    assert shapely.covers(zones.loc[repairs["zone"].map(labels)].to_numpy(), regions).all()


def test_outline_and_written_size_agree_except_where_a_unit_or_a_size_is_wrong(demo):
    findings = demo.tables["findings"].query("outline != '' and width != ''")
    findings = findings[~findings["finding"].isin(demo.rows_with("findings", "T2"))]
    boxes = shapely.oriented_envelope(shapely.from_wkt(findings["outline"].to_numpy()))
    factor = findings["size_unit"].map({"mm": 1.0, "in": 25.4}).to_numpy()
    written = findings[["length", "width", "rounding"]].astype(float).to_numpy() * factor[:, None]
    sides = np.array([np.hypot(*np.diff(np.array(b.exterior.coords)[:3], axis=0).T) for b in boxes])
    sides = np.sort(sides, axis=1)[:, ::-1]
    near = np.abs(written[:, :2] - sides) <= written[:, 2:] * 0.5 + 0.1
    tiny = (sides < written[:, 2:]) & (written[:, :2] == written[:, 2:])  # never written as 0
    assert (near | tiny).all()


def test_findings_without_an_outline_have_centre_and_angle(demo):
    plain = demo.tables["findings"].query("outline == ''")
    assert (plain[["centre_x", "centre_y", "angle", "length"]] != "").all(axis=None)


def test_meters_rise_except_at_marked_changes(demo):
    usage = demo.tables["usage"]
    for _, rows in usage.groupby("aircraft"):
        hours, cycles = rows["flight_hours"].astype(float), rows["flight_cycles"].astype(float)
        assert (cycles.diff().dropna() >= 0).all()
        fell = hours.diff() < 0
        assert (fell <= rows["meter_change"].eq("yes")).all()
    changes = usage[usage["meter_change"] == "yes"]
    assert changes["aircraft"].to_list() == ["T05", "T22"]
    assert changes["read_on"].str[:4].to_list() == ["2013", "2018"]
    assert changes["flight_hours"].to_list() == ["0", "0"]


def test_found_looks_and_findings_of_looks_belong_together(demo):
    findings, looks = demo.tables["findings"], demo.tables["inspections"]
    found = set(looks.loc[looks["outcome"] == "found", "inspection"])
    assert set(findings["inspection"]) - {""} == found
    walks = findings[(findings["inspection"] == "") & (findings["remarks"] != "second inspector")]
    walks = walks[~walks["remarks"].str.contains("second inspector")]
    assert (walks["method"] == "visual").all()
    assert len(walks) >= 1


def test_cards_name_the_task_in_force_and_instruments_only_from_2020(demo):
    tasks = final(demo.tables["tasks"], "task").set_index("task")
    original = demo.tables["tasks"].set_index("task")
    cards = demo.tables["cards"]
    for task, rows in cards.groupby("task"):
        row = original.loc[task]
        heir = tasks[tasks["replaces"] == task]
        end = heir["valid_to"].iloc[0] if len(heir) else row["valid_to"]
        assert (rows["closed_on"] >= row["valid_from"]).all()
        assert end == "" or (rows["closed_on"] <= end).all(), task
    instrumented = cards[cards["method"] == "tap_instrumented"]
    assert (instrumented["closed_on"] >= "2020-01-01").all()
    assert set(instrumented["station"]) == {"Hangar 1", "Hangar 3"}


def test_rudder_and_elevator_are_capped_and_the_trailing_edge_is_not(demo):
    tasks = demo.tables["tasks"].set_index("task")
    for task in ("BT-rudder", "BT-elevator"):
        assert tasks.loc[task, ["cap_flight_hours", "cap_days"]].to_list() == ["5000", "730"]
    assert (tasks.loc[tasks["cap_days"] != ""].index == ["BT-rudder", "BT-elevator"]).all()
    assert tasks.loc["BT-trailing_edge-1", ["replaces", "valid_to"]].to_list() == [
        "BT-trailing_edge",
        "2019-06-30",
    ]
    assert tasks.loc["BT-trailing_edge-2", ["valid_from", "repeat_days"]].to_list() == ["2019-07-01", "1460"]


def test_flap_labels_are_those_of_their_time(demo):
    old = {"575A", "575B", "675A", "675B"}
    findings = demo.tables["findings"]
    findings = findings[~findings["finding"].isin(demo.rows_with("findings", "T8"))]
    flaps = findings["zone"].isin(old | {"575", "576", "675", "676"})
    early = flaps & (findings["found_on"] < "2016-01-01")
    assert early.sum() > 20
    assert set(findings.loc[early, "zone"]) <= old
    late = findings[flaps & (findings["found_on"] >= "2016-01-01") & findings["zone"].isin(old)]
    assert len(late) >= 1
    assert set(late["finding"]) <= demo.rows_with("findings", "T5")
    assert late["found_on"].max() < "2017-07-01"


def test_second_hand_aircraft_have_no_rows_before_they_joined(demo):
    aircraft = demo.tables["aircraft"].query("records_from != ''")
    assert len(aircraft) == 8
    assert aircraft["records_from"].str[:4].eq("2014").all()
    for _, one in aircraft.iterrows():
        for name, event in (
            ("cards", "closed_on"),
            ("findings", "found_on"),
            ("usage", "read_on"),
            ("panels", "fitted_on"),
        ):
            rows = demo.tables[name].query("aircraft == @one.aircraft")
            rows = rows[~rows[TABLES[name].id_column].isin(demo.rows_with(name, "T8"))]
            assert (rows[event] >= one["records_from"]).all()
        fits = demo.tables["panels"].query("aircraft == @one.aircraft and fitted_on == @one.records_from")
        assert (fits["state"] == "unknown").all()
        assert (fits["prior_days"] != "").all()


def test_every_name_in_the_tables_is_an_invented_one(demo):
    t = demo.tables
    assert t["aircraft"]["aircraft"].str.fullmatch(r"T\d\d").all()
    assert set(t["aircraft"]["subtype"]) == {"QV-44-100", "QV-44-300"}
    assert set(t["basing"]["base"]) == {"Saltmere", "Frosthale", "Drywold"}
    stations = {f"Hangar {i}" for i in range(1, 5)} | {
        f"{b} line" for b in ("Saltmere", "Frosthale", "Drywold")
    }
    assert set(t["cards"]["station"]) == stations
    assert t["panels"]["panel"].str.fullmatch(r"[A-Z]{2}\d{4}").all()
    assert t["inspections"]["inspector"].str.fullmatch(r"I(0\d|1[0-8])").all()


@pytest.mark.long
def test_loading_rejects_no_row_without_an_injected_error(demo, tmp_path):
    """Every rejected row has an error of the truth file, or is a repair or deferral of a finding that has one."""
    rejected = load_fleet(demo.folder, set_aside=tmp_path).rejected
    assert 5 <= rejected[["file", "row"]].drop_duplicates().shape[0] <= 50
    blemished = {name: set(rows["row"]) for name, rows in demo.blemishes.groupby("table")}
    for line in rejected.itertuples():
        row = demo.tables[line.table].iloc[line.row - 2]
        if line.table in ("repairs", "deferrals"):
            assert row["finding"] in blemished["findings"]
        else:
            assert row[TABLES[line.table].id_column] in blemished[line.table]


def test_each_find_and_each_re_inspection_is_by_a_method_that_can_see_the_damage(demo):
    """And the other way: a moisture meter and the tasks that look for water find water, a tap everything but water."""
    # A kind that was written down wrongly, and corrected later, is an error of the truth file.
    wrong = demo.blemishes.query("table == 'findings' and column == 'kind'")["row"]
    findings, looks = demo.tables["findings"], demo.tables["inspections"]
    findings = findings[~findings["finding"].isin(wrong)]
    for kind, method in findings[["kind", "method"]].drop_duplicates().itertuples(index=False):
        assert kind in SEES[method], (kind, method)
    water = demo.tables["tasks"].query("task.str.startswith('WT-')")
    assert set(water["looks_for"]) == {"moisture"}
    cards = demo.tables["cards"].set_index("card")["task"]
    tasks = looks.set_index("inspection")["card"].map(cards).fillna("")
    of_water = findings["inspection"].map(tasks).fillna("").str.startswith("WT-")
    assert of_water.sum() > 100
    assert set(findings.loc[of_water, "kind"]) == {"moisture"}
    assert set(findings.loc[~of_water, "kind"]) >= {"disbond", "moisture_disbond", "core_damage"}
    left = demo.tables["deferrals"].query("reinspection != ''")
    left = left[~left["finding"].isin(wrong)]
    kinds = left["finding"].map(findings.set_index("finding")["kind"])
    methods = left["reinspection"].map(looks.set_index("inspection")["method"])
    for kind, method in set(zip(kinds, methods, strict=True)):
        assert kind in SEES[method], (kind, method)
    assert not (left["reinspection"].map(tasks).str.startswith("WT-") & (kinds != "moisture")).any()


def test_a_find_of_half_a_metre_is_a_planted_mix_up_of_units(demo):
    findings = demo.tables["findings"]
    size = findings["length"].replace("", "0").astype(float) * findings["size_unit"].map(
        {"mm": 1, "cm": 10, "in": 25.4}
    )
    large = findings.loc[size > 400, "finding"]
    assert 0 < len(large) < 40
    planted = demo.rows_with("findings", "T2")
    copies = demo.rows_with("findings", "T3")
    assert set(large) <= planted | copies | set(findings.loc[findings["replaces"].isin(planted), "finding"])

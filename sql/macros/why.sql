-- Why did this unit alarm? One row per reading of the tests of its alerts, with what the detector made of it and the conditions it was read under.
-- : which | VARCHAR | | the unit
-- : days | INTEGER | 60 | how many days before the alert
SELECT
    a.id AS alert, -- VARCHAR | the alert | | never
    a.kind, -- VARCHAR | drift, jump, imminent, failed, intermittent, surprise or not_running | | never
    a.raised_at, -- TIMESTAMP | time of the reading that raised it | UTC | never
    r.test, -- VARCHAR | canonical name of the test | | never
    r.read_at, -- TIMESTAMP | when the result was read | UTC | never
    r.state, -- VARCHAR | ok, not_run, no_limit, constant or invalid | | never
    r.value, -- DOUBLE | the value | unit_of_measure | null where it is no measurement
    r.min, -- DOUBLE | lower limit | unit_of_measure | null where there is none
    r.max, -- DOUBLE | upper limit | unit_of_measure | null where there is none
    r.unit_of_measure, -- VARCHAR | unit of value and limits, as a UCUM code | | never
    r.margin, -- DOUBLE | margin: 1 = as far as can be, 0 = at the limit | 1 | null where not defined
    d.epoch, -- INTEGER | ordinal of the stretch with one calibration and one set of limits | 1 | null where it was no new evidence
    d.baseline, -- DOUBLE | healthy level at that time | unit_of_measure | null while learning, or no new evidence
    d.z, -- DOUBLE | distance from what was expected, in standard deviations toward the limit | 1 | null while learning, or no new evidence
    d.score, -- DOUBLE | cumulative sum toward the limit, in log average run length | 1 | null while learning, or no new evidence
    d.p_cross_30d, -- DOUBLE | probability that the level is beyond the limit in 30 days | 1 | null where not known
    r.fuel_level_pct, -- DOUBLE | fuel level when read | % | null where not read
    r.ambient_c, -- DOUBLE | ambient air temperature when read | Cel | null where not read
    r.coolant_c, -- DOUBLE | coolant temperature when read | Cel | null where not read
    r.barometric_kpa, -- DOUBLE | barometric pressure when read | kPa | null where not read
    r.run_time_s, -- DOUBLE | time since engine start when read | s | null where not read
    r.distance_since_clear_km, -- DOUBLE | distance since codes were cleared | km | null where not read
    r.cal_id, -- VARCHAR | calibration ids of the control unit in that report | | null where not read
    r.report_id -- VARCHAR | the report it came in | | never
FROM (SELECT *, unnest(tests) AS named FROM alerts WHERE unit = which) a
JOIN readings r ON r.test = a.named AND (a.ecu IS NULL OR r.ecu = a.ecu)
    AND r.read_at BETWEEN a.raised_at - to_days(days) AND a.raised_at
LEFT JOIN (SELECT * FROM drift WHERE unit = which) d ON d.report_id = r.report_id AND d.ecu = r.ecu AND d.test = r.test AND d.read_at = r.read_at
WHERE r.unit = which
ORDER BY a.raised_at, a.id, r.test, r.read_at

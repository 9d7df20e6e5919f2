-- What the detector made of every reading that was new evidence: one row a fresh reading. It is folded again from the
-- readings when a query asks for it, by the settings in force.
SELECT
    unit, -- VARCHAR | the unit | | never
    vin, -- VARCHAR | vehicle identification number | | null where not known
    ecu, -- VARCHAR | the control unit; lower-case hex | | never
    test, -- VARCHAR | canonical name of the test | | never
    family, -- VARCHAR | what the test watches, such as catalyst, evap or egr | | null where not known
    read_at, -- TIMESTAMP | when the result was read | UTC | never
    report_id, -- VARCHAR | the report that it came with | | never
    epoch, -- INTEGER | ordinal of the stretch with one calibration and one set of limits, from 1 | 1 | never
    value, -- DOUBLE | the value | unit_of_measure | never
    min, -- DOUBLE | lower limit | unit_of_measure | null where there is none
    max, -- DOUBLE | upper limit | unit_of_measure | null where there is none
    unit_of_measure, -- VARCHAR | unit of value, limits and baseline, as a UCUM code | | never
    margin, -- DOUBLE | margin: 1 = as far as can be, 0 = at the limit | 1 | null where not defined
    baseline, -- DOUBLE | healthy level at that time | unit_of_measure | null while learning
    z, -- DOUBLE | distance from what was expected, in standard deviations toward the limit | 1 | null while learning
    score, -- DOUBLE | cumulative sum toward the limit, in log average run length | 1 | null while learning
    p_cross_30d, -- DOUBLE | probability that the level is beyond the limit in 30 days | 1 | null where not known
    limit_p10, -- TIMESTAMP | one in ten: the limit is reached by then | UTC | null where unknown or beyond a year
    limit_p50, -- TIMESTAMP | as likely as not: the limit is reached by then | UTC | null where unknown or beyond a year
    limit_p90, -- TIMESTAMP | nine in ten: the limit is reached by then | UTC | null where unknown or beyond a year
    settings -- VARCHAR | version of the settings that it was folded with | | never
FROM {{.Rows}}

-- The present state of every series: one unit, control unit and test.
-- : as of | no | it is what the detector holds now, and no state of before is kept | read it from drift without AS OF: the newest row of a unit, ecu and test with read_at up to the time
SELECT
    unit, -- VARCHAR | the unit | | never
    vin, -- VARCHAR | vehicle identification number | | null where not known
    ecu, -- VARCHAR | the control unit; lower-case hex | | never
    test, -- VARCHAR | canonical name of the test | | never
    family, -- VARCHAR | what the test watches, such as catalyst, evap or egr | | null where not known
    last_read, -- TIMESTAMP | newest reading of the test, fresh or not | UTC | never
    last_fresh, -- TIMESTAMP | newest reading that was new evidence | UTC | null where there was none
    state, -- VARCHAR | state of the newest reading: ok, not_run, no_limit, constant or invalid | | never
    value, -- DOUBLE | newest value | unit_of_measure | null where it is no measurement
    min, -- DOUBLE | lower limit | unit_of_measure | null where there is none
    max, -- DOUBLE | upper limit | unit_of_measure | null where there is none
    unit_of_measure, -- VARCHAR | unit of value, limits, baseline and spread, as a UCUM code | | never
    margin, -- DOUBLE | margin of the newest reading: 1 = as far as can be, 0 = at the limit | 1 | null where not defined
    passed, -- BOOLEAN | min <= value <= max of the newest reading | | null unless state is ok
    cal_id, -- VARCHAR | calibration ids in force | | null where never read
    epoch, -- INTEGER | ordinal of the stretch with one calibration and one set of limits, from 1 | 1 | never
    fresh, -- INTEGER | readings in this epoch that were new evidence | 1 | never
    baseline, -- DOUBLE | healthy level in this epoch | unit_of_measure | null while learning
    spread, -- DOUBLE | healthy spread, one standard deviation | unit_of_measure | null while learning
    toward, -- VARCHAR | the limit it moves to: min or max | | null where none
    used, -- DOUBLE | smoothed share of the healthy distance to the limit that is used up | 1 | null where not known
    score, -- DOUBLE | cumulative sum toward the limit, in log average run length | 1 | null while learning
    threshold, -- DOUBLE | the score that raises an alert | 1 | null while learning
    since, -- TIMESTAMP | when the score last left zero: drift began no later | UTC | null while the score is zero
    p_cross_30d, -- DOUBLE | probability that the level is beyond the limit in 30 days | 1 | null where not known
    limit_p10, -- TIMESTAMP | one in ten: the limit is reached by then | UTC | null where unknown or beyond a year
    limit_p50, -- TIMESTAMP | as likely as not: the limit is reached by then | UTC | null where unknown or beyond a year
    limit_p90, -- TIMESTAMP | nine in ten: the limit is reached by then | UTC | null where unknown or beyond a year
    learning -- BOOLEAN | too few fresh readings for a baseline | | never
FROM {{.Rows}}

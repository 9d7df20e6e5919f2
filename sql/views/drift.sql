-- What the detector made of every reading that was new evidence: one row a fresh reading. The table keeps every fold
-- until compaction; the view shows the newest of each unit, by the settings in force.
-- : as of | no | a later fold takes the place of an earlier one, and the table is written behind the readings, so a past state of it was never seen by anybody | leave AS OF away and ask for read_at up to the time: that is what the settings in force make of the readings until then
SELECT
    r.unit, -- VARCHAR | the unit | | never
    r.vin, -- VARCHAR | vehicle identification number | | null where not known
    r.ecu, -- VARCHAR | the control unit; lower-case hex | | never
    r.test, -- VARCHAR | canonical name of the test | | never
    r.family, -- VARCHAR | what the test watches, such as catalyst, evap or egr | | null where not known
    r.read_at, -- TIMESTAMP | when the result was read | UTC | never
    r.report_id, -- VARCHAR | the report that it came with | | never
    r.epoch, -- INTEGER | ordinal of the stretch with one calibration and one set of limits, from 1 | 1 | never
    r.value, -- DOUBLE | the value | unit_of_measure | never
    r.min, -- DOUBLE | lower limit | unit_of_measure | null where there is none
    r.max, -- DOUBLE | upper limit | unit_of_measure | null where there is none
    r.unit_of_measure, -- VARCHAR | unit of value, limits and baseline, as a UCUM code | | never
    r.margin, -- DOUBLE | margin: 1 = as far as can be, 0 = at the limit | 1 | null where not defined
    r.baseline, -- DOUBLE | healthy level at that time | unit_of_measure | null while learning
    r.z, -- DOUBLE | distance from what was expected, in standard deviations toward the limit | 1 | null while learning
    r.score, -- DOUBLE | cumulative sum toward the limit, in log average run length | 1 | null while learning
    r.p_cross_30d, -- DOUBLE | probability that the level is beyond the limit in 30 days | 1 | null where not known
    r.limit_p10, -- TIMESTAMP | one in ten: the limit is reached by then | UTC | null where unknown or beyond a year
    r.limit_p50, -- TIMESTAMP | as likely as not: the limit is reached by then | UTC | null where unknown or beyond a year
    r.limit_p90, -- TIMESTAMP | nine in ten: the limit is reached by then | UTC | null where unknown or beyond a year
    r.settings, -- VARCHAR | version of the settings that it was folded with | | never
    r.fold, -- BIGINT | version of the fold: a later fold of the unit, after a late reading or with another roster or other settings, supersedes it | 1 | null where the table lagged behind and the query folded for itself
    r.folded_at -- TIMESTAMP | when that fold was begun | UTC | null where the table lagged behind and the query folded for itself
FROM {{.Rows}} r
{{.Roster}}

-- Is it this unit, or all of its kind? One row per unit of the same engine family that has the test.
-- : which | VARCHAR | | the unit
-- : what | VARCHAR | | the test
SELECT
    s.unit, -- VARCHAR | the unit | | never
    s.unit = which AS itself, -- BOOLEAN | it is the unit that was asked for | | never
    u.engine_family, -- VARCHAR | group of like engines | | null where not given
    s.ecu, -- VARCHAR | the control unit; lower-case hex | | never
    s.margin, -- DOUBLE | margin of the newest reading: 1 = as far as can be, 0 = at the limit | 1 | null where not defined
    s.value, -- DOUBLE | newest value | unit_of_measure | null where it is no measurement
    s.unit_of_measure, -- VARCHAR | unit of the value, as a UCUM code | | never
    rank() OVER (PARTITION BY s.ecu ORDER BY s.margin NULLS LAST) AS place, -- BIGINT | 1 is nearest to its limit | 1 | never
    count(s.margin) OVER (PARTITION BY s.ecu) AS compared, -- BIGINT | units with a margin | 1 | never
    median(s.margin) OVER (PARTITION BY s.ecu) AS median_margin, -- DOUBLE | median margin of them all | 1 | null where none has one
    s.used, -- DOUBLE | smoothed share of the healthy distance to the limit that is used up | 1 | null where not known
    s.p_cross_30d, -- DOUBLE | probability that the level is beyond the limit in 30 days | 1 | null where not known
    s.last_read -- TIMESTAMP | newest reading of the test | UTC | never
FROM series s
JOIN units u ON u.unit = s.unit
WHERE s.test = what
    AND u.engine_family IS NOT DISTINCT FROM (SELECT engine_family FROM units WHERE unit = which)
ORDER BY place, s.unit

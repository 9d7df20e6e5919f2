-- Which series protect nobody? One row per unit, control unit and test that cannot warn, with the reason.
-- : least | INTEGER | 20 | a series with fewer readings is not judged
SELECT
    unit, -- VARCHAR | the unit | | null where the vehicle is on no roster
    ecu, -- VARCHAR | the control unit; lower-case hex | | never
    test, -- VARCHAR | canonical name of the test | | never
    CASE
        WHEN ran = 0 AND not_run = readings THEN 'never ran'
        WHEN limits = 0 THEN 'no limit'
        WHEN low = 0 AND high = 0 THEN 'always zero'
        WHEN low = high THEN 'never changes'
        WHEN ran > 0 AND spread > room THEN 'too noisy'
    END AS reason, -- VARCHAR | never ran, no limit, always zero, never changes, or too noisy: twice its spread reaches from its median margin to the limit | | never
    readings, -- BIGINT | readings of it | 1 | never
    ran, -- BIGINT | of these, results that can be judged | 1 | never
    low, -- DOUBLE | smallest value | unit_of_measure | null where none is a measurement
    high, -- DOUBLE | largest value | unit_of_measure | null where none is a measurement
    unit_of_measure, -- VARCHAR | unit of the values, as a UCUM code | | never
    last_read -- TIMESTAMP | newest reading | UTC | never
FROM (
    SELECT unit, vin, device, ecu, test, count(*) AS readings, count(*) FILTER (state = 'ok') AS ran,
        count(*) FILTER (state = 'not_run') AS not_run, count(*) FILTER (min IS NOT NULL OR max IS NOT NULL) AS limits,
        min(value) FILTER (state <> 'not_run') AS low, max(value) FILTER (state <> 'not_run') AS high,
        2 * stddev_samp(margin) AS spread, median(margin) AS room,
        any_value(unit_of_measure) AS unit_of_measure, max(read_at) AS last_read
    FROM readings WHERE clock_ok
    GROUP BY 1, 2, 3, 4, 5
)
WHERE readings >= least AND reason IS NOT NULL
ORDER BY unit, ecu, test

-- What was read for the first time? One row per test, pair of limits of a test, or calibration.
-- : days | INTEGER | 30 | how many days back from the newest reading
SELECT
    what, -- VARCHAR | test, limits or calibration | | never
    name, -- VARCHAR | the test, the test with its limits, or the calibration ids | | never
    min(read_at) AS first_read, -- TIMESTAMP | when it was first read | UTC | never
    arg_min(unit, read_at) AS first_unit, -- VARCHAR | the unit it was first read from | | null where that is on no roster
    count(DISTINCT coalesce(vin, device)) AS vehicles -- BIGINT | vehicles that it was read from since | 1 | never
FROM (
    SELECT read_at, unit, vin, device, unnest(['test', 'limits', 'calibration']) AS what, unnest([test,
        CASE WHEN coalesce(min, max) IS NOT NULL THEN concat(test, ' ', coalesce(min::VARCHAR, ''), '..', coalesce(max::VARCHAR, ''), ' ', unit_of_measure) END, cal_id]) AS name
    FROM readings WHERE clock_ok
)
WHERE name IS NOT NULL
GROUP BY 1, 2
HAVING min(read_at) > (SELECT max(read_at) FROM readings WHERE clock_ok) - to_days(days)
ORDER BY 3, 1, 2

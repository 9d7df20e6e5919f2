-- Did the data arrive? One row a day on which reports reached us.
-- : days | INTEGER | 30 | how many days back from the newest report
SELECT
    received_at::DATE AS day, -- DATE | the day, UTC | | never
    count(DISTINCT coalesce(unit, vin, device)) AS reporting, -- BIGINT | units that reported; what is on no roster counts by its VIN or device | 1 | never
    (SELECT count(*) FROM units) AS roster, -- BIGINT | units on the present roster | 1 | never
    count(*) AS reports, -- BIGINT | reports taken in; a report that came twice counts once | 1 | never
    sum(results)::BIGINT AS results, -- BIGINT | test results in them | 1 | never
    round(sum(results) / count(DISTINCT coalesce(unit, vin, device)), 1) AS results_per_unit, -- DOUBLE | results a reporting unit | 1 | never
    sum(rejected)::BIGINT AS quarantined, -- BIGINT | messages that went to the quarantine | 1 | never
    count(*) FILTER (received_at > read_at + INTERVAL 1 DAY) AS late, -- BIGINT | reports that came more than a day after they were made | 1 | never
    count(*) FILTER (NOT clock_ok) AS wrong_clock, -- BIGINT | reports whose clock could not be believed | 1 | never
    count(*) FILTER (unit IS NULL) AS unknown -- BIGINT | reports of vehicles that are on no roster | 1 | never
FROM reports
WHERE received_at > (SELECT max(received_at) FROM reports) - to_days(days)
GROUP BY 1
ORDER BY 1

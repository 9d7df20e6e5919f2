-- One row per test result as read, repeats included.
-- : as of | yes | as committed by then; the unit is by the present roster |
SELECT
    r.read_at, -- TIMESTAMP | when the result was read, by the device's clock; the receive time where clock_ok is false | UTC | never
    r.clock_ok, -- BOOLEAN | the device's clock could be believed: not before 2000, not more than 24 h after receipt | | never
    {{.Unit}} AS unit, -- VARCHAR | the unit the VIN, or else the device, belongs to in the present roster | | null where the roster does not tell
    r.vin, -- VARCHAR | vehicle identification number, from the report or read from the vehicle | | null where neither gave one
    r.device, -- VARCHAR | the dongle that sent the report | | never
    r.report_id, -- VARCHAR | the report the result came in | | never
    r.bus, -- VARCHAR | can, j1850, iso9141, iso14230, j1939 or uds | | never
    r.ecu, -- VARCHAR | the control unit that answered: CAN id, 29-bit ids whole, or two-digit source address; lower-case hex | | never
    r.cal_id, -- VARCHAR | calibration ids of that control unit in the same report, joined by + | | null where not read in that report
    r.test, -- VARCHAR | canonical name of the test, such as m21.t89, t03.c04, o05.s01, s3242.f16.t247, d042000.n1 | | never
    r.mid, -- INTEGER | monitor id (CAN and UDS) | | null where the protocol has none
    r.tid, -- INTEGER | test id | | null where the protocol has none
    r.cid, -- INTEGER | component id without its top bit (older buses) | | null where the protocol has none
    r.spn, -- INTEGER | suspect parameter number (J1939) | | null where the protocol has none
    r.fmi, -- INTEGER | failure mode identifier (J1939) | | null where the protocol has none
    r.uas, -- INTEGER | unit-and-scaling id (CAN and UDS) | | null where the protocol has none
    r.slot, -- INTEGER | scaling, limit, offset and transfer function id (J1939) | | null where the protocol has none
    r.dtc, -- VARCHAR | the trouble code the result hangs on | | null for results that hang on a test id
    r.raw_value, -- INTEGER | the value as read, in every state, after sign | counts | null where not sent
    r.raw_min, -- INTEGER | the minimum as read, after sign | counts | null where not sent
    r.raw_max, -- INTEGER | the maximum as read, after sign | counts | null where not sent
    r.value, -- DOUBLE | the value: raw value by its scale and offset | unit_of_measure | null where the raw value is no measurement
    r.min, -- DOUBLE | lower limit | unit_of_measure | null where there is none
    r.max, -- DOUBLE | upper limit | unit_of_measure | null where there is none
    r.unit_of_measure, -- VARCHAR | unit of value, min and max, as a UCUM code; 1 where the protocol gives none | | never
    r.state, -- VARCHAR | ok, not_run, no_limit, constant or invalid; not_run is not a pass | | never
    r.passed, -- BOOLEAN | min <= value <= max | | null unless state is ok
    r.margin, -- DOUBLE | distance to the limit: 1 = as far as can be, 0 = at the limit, below 0 = failed | 1 | null unless state is ok, and for one limit without a real zero
    r.odometer_km, -- DOUBLE | odometer when read | km | null where not read
    r.fuel_level_pct, -- DOUBLE | fuel level when read | % | null where not read
    r.ambient_c, -- DOUBLE | ambient air temperature when read | Cel | null where not read
    r.coolant_c, -- DOUBLE | coolant temperature when read | Cel | null where not read
    r.barometric_kpa, -- DOUBLE | barometric pressure when read | kPa | null where not read
    r.run_time_s, -- DOUBLE | time since engine start when read | s | null where not read
    r.warmups_since_clear, -- DOUBLE | warm-up cycles since codes were cleared | 1 | null where not read
    r.distance_since_clear_km -- DOUBLE | distance since codes were cleared | km | null where not read
FROM {{.Rows}} r
{{.Roster}}

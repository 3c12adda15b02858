"""The virtual rig: a simulator of soaks, and a rig on a pseudo-terminal that plays them in the line protocol.

For a study: `simulate(SoakPlan(…), seed) -> Simulated` (physics.py, plan.py) is pure and fast; a plan's
priors say how everything is drawn that the plan doesn't fix. For a host: `Scenario` (scenario.py) and
`PtyRig` (pty_rig.py), or `cornerhold virtual-rig`. The simulator shares no formula with the analysis, so
that the two can contradict each other.

What is drawn by chance, with the defaults of the plan. "soak": once; "each": for every section anew; "axle":
for front and rear. SI units are in the names. A test holds this table against the code.

    fill_Pa                                uniform 500000 … 1e+06                   each (standing: axle)
    humidity                               uniform 0.3 … 1                          each, shop air only
    weather.mean_K                         uniform 259.15 … 279.15                  soak
    weather.trend_K_per_day                uniform -3 … 3                           soak
    weather.synoptic_sd_K                  2.5                                      a path
    weather.synoptic_correlation_s         144000
    weather.diurnal_K                      uniform 1 … 4.5                          soak, clear sky
    weather.hourly_sd_K                    uniform 0.2 … 0.7                        a path
    weather.hourly_correlation_s           uniform 2520 … 7200                      soak
    weather.fronts_per_day                 0.33                                     Poisson
    weather.front_drop_K                   uniform 2 … 7                            each front
    weather.front_duration_s               uniform 2520 … 9000                      each front
    weather.pressure_Pa                    uniform 99000 … 102800                   soak
    weather.pressure_sd_Pa                 uniform 300 … 1000                       a path, smoothed 4 h
    weather.pressure_correlation_s         144000
    thermal.shop_K                         uniform 289.15 … 295.15                  soak
    thermal.roll_out_s                     uniform 300 … 1800                       soak
    thermal.driven_probability             0.5                                      soak
    thermal.warmer_common_K                uniform 0 … 7                            soak, if driven
    thermal.warmer_section_K               normal 0, sd 1.5                         each, if driven
    thermal.rested_section_K               normal 0, sd 0.5                         each, if not driven
    thermal.engine_front_K                 uniform 0 … 10                           soak, if driven
    thermal.engine_rear_K                  uniform 0 … 1.5                          soak, if driven
    thermal.engine_decay_s                 log-uniform 5400 … 18000                 soak
    thermal.gas_lag_s                      log-uniform 1200 … 7800                  each
    thermal.inner_lag_s                    uniform 120 … 480                        each, part of the above
    thermal.envelope_lag_s                 uniform 180 … 720                        each, on top of it
    thermal.wind_effect                    uniform 0 … 0.25                         soak
    thermal.sun_K                          uniform 0 … 4                            soak, one flank
    thermal.wander_sd_K                    uniform 0.3 … 0.8                        each, a path
    thermal.wander_correlation_s           log-uniform 3600 … 14400                 each, and shared
    thermal.shared_sd_K                    uniform 0.1 … 0.5                        soak, a path
    creep.per_decade                       log-normal, median 0.002, sd of ln 0.35  each
    creep.onset_s                          log-uniform 120 … 900                    each
    creep.fill_age_s                       uniform 300 … 1800                       soak
    blocked.volume_m3                      uniform 0.002 … 0.005                    each
    blocked.compliance_per_Pa              uniform 5e-10 … 6e-09                    each
    standing.mass_kg                       uniform 1700 … 2500                      soak
    standing.front_share                   uniform 0.48 … 0.57                      soak
    standing.left_share                    normal 0.5, sd 0.008                     soak
    standing.cross_share                   normal 0, sd 0.005                       soak
    standing.front_column_m                0.25                                     nominal
    standing.rear_column_m                 0.23                                     nominal
    standing.column_error                  uniform -0.1 … 0.1                       each, truth over nominal
    standing.area_slope_per_m              uniform -0.6 … 0.6                       soak
    standing.front_bar_N_per_m             uniform 10000 … 25000                    soak
    standing.rear_bar_N_per_m              uniform 5000 … 18000                     soak
    standing.height_m                      normal 0.36, sd 0.003                    each
    standing.bump_clearance_m              0.07
    pressure_sensor.zero_coefficient_per_K uniform -0.0002 … 0.0002                 each, of full scale
    pressure_sensor.span_coefficient_per_K uniform -0.0002 … 0.0002                 each, of the reading
    pressure_sensor.air_share              uniform 0.2 … 0.7                        each
    pressure_sensor.lag_s                  uniform 120 … 600                        each
    pressure_sensor.offset_of_full_scale   normal 0, sd 0.001                       each
    pressure_sensor.span_error             normal 0, sd 0.0015                      each
    pressure_sensor.drift_Pa_per_day       normal 0, sd 30                          each
    pressure_sensor.noise_Pa               700                                      each sample
    pressure_sensor.spikes_per_sample      0.0008                                   each
    pressure_sensor.spike_Pa               uniform 20000 … 50000                    each spike, either sign
    pressure_sensor.stuck_per_day          0.06                                     each, Poisson
    pressure_sensor.stuck_mean_s           1500.0                                   exponential
    sensors.air_offset_K                   uniform -0.5 … 0.5                       soak
    sensors.air_lag_s                      uniform 120 … 480                        soak
    sensors.air_noise_K                    0.05                                     each sample
    sensors.barometer_offset_Pa            normal 0, sd 80                          soak
    sensors.barometer_drift_Pa_per_K       normal 0, sd 1                           soak
    sensors.barometer_noise_Pa             4                                        each sample
    sensors.height_offset_m                normal 0, sd 0.001                       each
    sensors.height_drift_m_per_K           normal 0, sd 8e-06                       each
    sensors.height_noise_m                 uniform 0.0002 … 0.0003                  each; then each sample
    sensors.gas_offset_K                   uniform -0.5 … 0.5                       each
    sensors.gas_noise_K                    0.05                                     each sample
    sensors.supply_V                       normal 5, sd 0.03                        soak
    sensors.supply_wander_V                0.005                                    a path
    sensors.dropouts_per_day               0.4                                      the whole rig, Poisson
    sensors.dropout_mean_s                 600.0                                    exponential

Fixed in the code: cloud and wind (weather.py), the shape of the sun's day (thermal.py), the spread of engine
heat and sun from corner to corner (0.7 … 1 of the value), the supply's noise. None of the sizes has a
published source; they are common practice, or what parts of this kind do.
"""

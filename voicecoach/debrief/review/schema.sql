-- The tables of a review. Times are seconds on a session's own clock (_s) or UTC. Codes, never names.
CREATE TABLE folders (
  path VARCHAR PRIMARY KEY, session VARCHAR, reason VARCHAR NOT NULL, stamp VARCHAR NOT NULL
);
COMMENT ON TABLE folders IS 'Every folder that was found. reason: why it was left out or what is wrong with it, empty if nothing is';
CREATE TABLE sessions (
  session VARCHAR, path VARCHAR, begun TIMESTAMP, protocol VARCHAR, title VARCHAR, mode VARCHAR, wearer VARCHAR,
  observer VARCHAR, room VARCHAR, mask VARCHAR, ear VARCHAR, source VARCHAR, training_only BOOLEAN, ended BOOLEAN,
  still_on VARCHAR, length_s DOUBLE, worn_s DOUBLE, dress_s DOUBLE, undress_s DOUBLE, confirmed INTEGER,
  independent INTEGER, refresher_days INTEGER
);
COMMENT ON TABLE sessions IS 'One row for each session that could be read';
COMMENT ON COLUMN sessions.begun IS 'UTC';
COMMENT ON COLUMN sessions.worn_s IS 'from first item on to last item off; null if not recorded';
COMMENT ON COLUMN sessions.independent IS 'of the steps confirmed, those that somebody else vouched for';
COMMENT ON COLUMN sessions.refresher_days IS 'the site''s interval, 0 for none';
CREATE TABLE steps (
  session VARCHAR, number INTEGER, step VARCHAR, say VARCHAR, stage VARCHAR, branch VARCHAR, begin_s DOUBLE,
  took_s DOUBLE, outcome VARCHAR, confirmed_by VARCHAR, independent BOOLEAN, refused INTEGER, early INTEGER,
  unheard INTEGER, wrong INTEGER
);
COMMENT ON TABLE steps IS 'One row for each reading of a step';
COMMENT ON COLUMN steps.wrong IS 'how many things went wrong in it: breaches, exposures, deviations, rubs cut short, answers not accepted ...';
CREATE TABLE rubs (
  session VARCHAR, step VARCHAR, begin_s DOUBLE, kept_s DOUBLE, asked_s DOUBLE, cut_short BOOLEAN
);
COMMENT ON TABLE rubs IS 'One row for each rub or wipe. asked_s: its required time, null if it was cut short';
CREATE TABLE incidents (
  session VARCHAR, at_s DOUBLE, kind VARCHAR, title VARCHAR, step VARCHAR, called_by VARCHAR, places VARCHAR,
  false_alarm BOOLEAN, owed VARCHAR, paid VARCHAR, stated BOOLEAN
);
COMMENT ON TABLE incidents IS 'One row for each incident';
COMMENT ON COLUMN incidents.owed IS 'what is still owed for it, separated by commas; empty if nothing is';
COMMENT ON COLUMN incidents.stated IS 'false: the record does not say what was done, so everything counts as owed';
CREATE TABLE words (
  session VARCHAR, at_s DOUBLE, role VARCHAR, command VARCHAR, phrase VARCHAR, taken BOOLEAN, source VARCHAR,
  score DOUBLE, floor DOUBLE, near VARCHAR
);
COMMENT ON TABLE words IS 'One row for each utterance. command: null if it was not accepted; phrase: the words, or the best guess';
CREATE TABLE notes (session VARCHAR, at_s DOUBLE, what VARCHAR, label VARCHAR, details VARCHAR);
COMMENT ON TABLE notes IS 'Every note of every session; details: JSON';
CREATE TABLE events (session VARCHAR, line INTEGER, at_s DOUBLE, event VARCHAR, details VARCHAR);
COMMENT ON TABLE events IS 'Every event of every session: what was heard, prompts that ended, timers, lost parts; line: its number in the record; details: JSON';
CREATE TABLE weights (
  protocol VARCHAR, step VARCHAR, say VARCHAR, weight DOUBLE, why VARCHAR, PRIMARY KEY (protocol, step)
);
COMMENT ON TABLE weights IS 'What a slip at a step can do according to the check: 0 to 1 within a protocol';

CREATE VIEW attempts AS
  SELECT *, row_number() OVER (PARTITION BY wearer, protocol ORDER BY begun, session) AS attempt
  FROM sessions WHERE wearer <> '';
COMMENT ON VIEW attempts IS 'Sessions of wearers with a code, numbered for each wearer and protocol';
CREATE VIEW months AS
  SELECT strftime(begun, '%Y-%m') AS month, count(*) AS sessions, count(DISTINCT nullif(wearer, '')) AS wearers,
    count(*) FILTER (ended) AS ended
  FROM sessions WHERE begun IS NOT NULL GROUP BY ALL ORDER BY month;
CREATE VIEW step_times AS
  SELECT a.protocol, s.step, any_value(s.say) AS say, least(a.attempt, 4) AS attempt, count(*) AS times,
    median(s.took_s) AS median_s, min(s.number) AS place
  FROM steps s JOIN attempts a USING (session)
  WHERE s.outcome = 'confirmed' AND s.branch = '' GROUP BY a.protocol, s.step, least(a.attempt, 4);
COMMENT ON VIEW step_times IS 'Median time of a step by attempt; 4 stands for the fourth and later';
CREATE VIEW deviations AS
  SELECT s.protocol, t.step, any_value(t.say) AS say, count(*) AS readings, count(*) FILTER (t.wrong > 0) AS wrong,
    coalesce(any_value(w.weight), 0) AS weight, coalesce(any_value(w.why), '') AS why
  FROM steps t JOIN sessions s USING (session)
    LEFT JOIN weights w ON w.protocol = s.protocol AND w.step = t.step
  WHERE t.branch = '' AND t.outcome <> 'passed over' GROUP BY s.protocol, t.step;
COMMENT ON VIEW deviations IS 'How often something went wrong at a step, beside what a slip there can do';
CREATE VIEW rubs_cut AS
  SELECT s.protocol, r.step, coalesce(any_value(t.say), r.step) AS say, count(*) AS rubs,
    count(*) FILTER (r.cut_short) AS cut_short
  FROM rubs r JOIN sessions s USING (session)
    LEFT JOIN (SELECT session, step, any_value(say) AS say FROM steps GROUP BY session, step) t USING (session, step)
  GROUP BY s.protocol, r.step;
CREATE VIEW unheard AS
  SELECT kind, value, count(*) AS said, count(*) FILTER (NOT taken) AS unheard FROM (
    SELECT 'room' AS kind, s.room AS value, w.taken, w.source FROM words w JOIN sessions s USING (session)
    UNION ALL SELECT 'mask', s.mask, w.taken, w.source FROM words w JOIN sessions s USING (session)
    UNION ALL SELECT 'voice', CASE w.role WHEN 'observer' THEN s.observer ELSE s.wearer END, w.taken, w.source
      FROM words w JOIN sessions s USING (session)
  ) by_each WHERE source <> 'key' AND value <> '' GROUP BY kind, value;
COMMENT ON VIEW unheard IS 'Utterances that were not accepted, by room, mask and voice';
CREATE VIEW owed AS
  SELECT s.begun, s.wearer, s.protocol, i.title, i.owed, i.stated, s.session, s.path, i.at_s
  FROM incidents i JOIN sessions s USING (session) WHERE i.owed <> '' ORDER BY s.begun;
COMMENT ON VIEW owed IS 'Incidents for which something is still owed';
CREATE VIEW last_sessions AS
  SELECT wearer, max(begun) AS last, count(*) AS sessions, arg_max(refresher_days, begun) AS refresher_days
  FROM sessions WHERE wearer <> '' AND begun IS NOT NULL GROUP BY wearer;
COMMENT ON VIEW last_sessions IS 'The last session of each wearer, and the refresher interval of its site file';

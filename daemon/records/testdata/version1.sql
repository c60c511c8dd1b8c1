-- A small file of schema 1, as it was written before calibrations were kept.
INSERT INTO series VALUES (1, 'a', 'temperature'), (2, 'a', 'humidity');
INSERT INTO hot VALUES
	(1772323200000, 1, 1772323200500, 27.25, 27.5, 1),
	(1772323200000, 2, 1772323200500, 68.0, 68.0, 3);
INSERT INTO journal VALUES (1, 1772323200000, 'link-up', '', 'null');
INSERT INTO cohort VALUES ('atlas-3', '{"id":"atlas-3","species":"attacus-atlas","start":"2026-03-01T00:00:00Z","start_stage":"egg","individuals":52,"placements":[{"room":"nursery","from":"2026-03-01T00:00:00Z"}]}');
INSERT INTO outbox (key, occurrence, channel, recipient, payload, created_at, due_at) VALUES ('1/1/ada/mail', 1, 'mail', 'ada', '{}', 1772323200000, 1772323200000);
INSERT INTO clock VALUES (1, 1772323200000);

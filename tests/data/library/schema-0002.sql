-- A library as the second released schema (0002) held it, upgraded from the first; people and places are invented.
BEGIN TRANSACTION;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0002');
CREATE TABLE changed_rows (
	id INTEGER NOT NULL, 
	change_id INTEGER NOT NULL, 
	table_name VARCHAR(30) NOT NULL, 
	row_id VARCHAR(32) NOT NULL, 
	"before" JSON, 
	"after" JSON, 
	CONSTRAINT pk_changed_rows PRIMARY KEY (id), 
	CONSTRAINT fk_changed_rows_change_id FOREIGN KEY(change_id) REFERENCES changes (id)
);
INSERT INTO "changed_rows" VALUES(1,1,'students','3e12b49ea9f8463b8f122b649bab5a73',NULL,'{"coach": "", "name": "Juno \u00c1bar\u00e0-\u00d8degaard", "handedness": "left", "born_on": "2012-03-04", "guardian": "Edda \u00c1bar\u00e0", "consent_on": "2026-04-01", "clubs": ["7-iron", "driver"], "aims": "flatter at the top", "notes": "likes short words", "created_at": "2026-11-25T04:31:39.638261+00:00", "id": "3e12b49ea9f8463b8f122b649bab5a73"}');
INSERT INTO "changed_rows" VALUES(2,2,'students','8c60e88874ec4f4090c59ccf9fd337d8',NULL,'{"coach": "", "name": "Per Linde", "handedness": "right", "born_on": null, "guardian": "", "consent_on": null, "clubs": [], "aims": "", "notes": "", "created_at": "2026-11-25T04:31:39.660650+00:00", "id": "8c60e88874ec4f4090c59ccf9fd337d8"}');
INSERT INTO "changed_rows" VALUES(3,3,'lessons','4aec2742858444e3bf3ec22afbc6189e',NULL,'{"student_id": "3e12b49ea9f8463b8f122b649bab5a73", "kind": "lesson", "held_at": "2026-05-03T09:00:00+00:00", "place": "", "thought": "", "notes": "", "created_at": "2026-11-25T04:31:39.734802+00:00", "id": "4aec2742858444e3bf3ec22afbc6189e"}');
INSERT INTO "changed_rows" VALUES(4,3,'recordings','04a2647c669a474e8fc41782e7074537',NULL,'{"lesson_id": "4aec2742858444e3bf3ec22afbc6189e", "state": "kept", "sha256": "e483c52136912f3568ce7d5ce43851c6fe50225af46a4a89622f64561c9bf7c3", "entry": "", "source": "/media/range/a", "recorded_at": "2026-05-03T09:00:00+00:00", "handedness": "left", "club": "7-iron", "drill": "", "options": {}, "discarded": null, "bytes": 9008, "added_at": "2026-11-25T04:31:39.739147+00:00", "id": "04a2647c669a474e8fc41782e7074537"}');
INSERT INTO "changed_rows" VALUES(5,4,'lessons','32a896c0b9f84aa08b531611eb2cde1a',NULL,'{"student_id": "3e12b49ea9f8463b8f122b649bab5a73", "kind": "practice", "held_at": "2026-05-04T09:01:00+00:00", "place": "", "thought": "", "notes": "", "created_at": "2026-11-25T04:31:39.791235+00:00", "id": "32a896c0b9f84aa08b531611eb2cde1a"}');
INSERT INTO "changed_rows" VALUES(6,4,'recordings','cabbed6cfef24cc0abff2ef1b0fdd246',NULL,'{"lesson_id": "32a896c0b9f84aa08b531611eb2cde1a", "state": "kept", "sha256": "15a1638d4cd391686bc39cc4a579c87801423b6df63b2451a3c02fa38f806051", "entry": "", "source": "/media/range/b", "recorded_at": "2026-05-04T09:01:00+00:00", "handedness": "left", "club": "driver", "drill": "", "options": {}, "discarded": null, "bytes": 9008, "added_at": "2026-11-25T04:31:39.792095+00:00", "id": "cabbed6cfef24cc0abff2ef1b0fdd246"}');
INSERT INTO "changed_rows" VALUES(7,5,'lessons','4aec2742858444e3bf3ec22afbc6189e','{"place": "", "thought": ""}','{"place": "Sandlark Heath", "thought": "keep the flat wrist"}');
INSERT INTO "changed_rows" VALUES(8,6,'swings','8b005174fb3d4caa88d34f4be944c044','{"left_out": null}','{"left_out": "phone rang"}');
INSERT INTO "changed_rows" VALUES(9,7,'swings','35531481a75a400cad2cef387ba72460','{"club": null}','{"club": "8-iron"}');
INSERT INTO "changed_rows" VALUES(10,7,'swings','52ced85ab662453ab317846e91d02279','{"club": null}','{"club": "8-iron"}');
INSERT INTO "changed_rows" VALUES(11,8,'swings','e5a70c52b413466593f006fb46968a02','{"start": null, "curve": null, "strike": null, "carry_m": null}','{"start": "left", "curve": "left", "strike": "heel", "carry_m": 128.0}');
CREATE TABLE changes (
	id INTEGER NOT NULL, 
	coach VARCHAR(63) NOT NULL, 
	at DATETIME NOT NULL, 
	what VARCHAR(200) NOT NULL, 
	undone_at DATETIME, 
	CONSTRAINT pk_changes PRIMARY KEY (id)
);
INSERT INTO "changes" VALUES(1,'','2026-11-25 04:31:39.647578','student added',NULL);
INSERT INTO "changes" VALUES(2,'','2026-11-25 04:31:39.662031','student added',NULL);
INSERT INTO "changes" VALUES(3,'','2026-11-25 04:31:39.740206','recording added',NULL);
INSERT INTO "changes" VALUES(4,'','2026-11-25 04:31:39.792641','recording added',NULL);
INSERT INTO "changes" VALUES(5,'','2026-11-25 04:31:39.920428','lesson corrected',NULL);
INSERT INTO "changes" VALUES(6,'','2026-11-25 04:31:39.971967','swings left out',NULL);
INSERT INTO "changes" VALUES(7,'','2026-11-25 04:31:39.987278','swings corrected',NULL);
INSERT INTO "changes" VALUES(8,'','2026-11-25 04:31:40.001186','ball flight noted',NULL);
CREATE TABLE lessons (
	id VARCHAR(32) NOT NULL, 
	student_id VARCHAR(32) NOT NULL, 
	kind VARCHAR(8) NOT NULL, 
	held_at DATETIME NOT NULL, 
	place VARCHAR(200) NOT NULL, 
	thought TEXT NOT NULL, 
	notes TEXT NOT NULL, 
	created_at DATETIME NOT NULL, hurt TEXT DEFAULT '' NOT NULL, 
	CONSTRAINT pk_lessons PRIMARY KEY (id), 
	CONSTRAINT ck_lessons_kind CHECK (kind IN ('lesson', 'practice')), 
	CONSTRAINT fk_lessons_student_id FOREIGN KEY(student_id) REFERENCES students (id)
);
INSERT INTO "lessons" VALUES('4aec2742858444e3bf3ec22afbc6189e','3e12b49ea9f8463b8f122b649bab5a73','lesson','2026-05-03 09:00:00.000000','Sandlark Heath','keep the flat wrist','','2026-11-25 04:31:39.734802','');
INSERT INTO "lessons" VALUES('32a896c0b9f84aa08b531611eb2cde1a','3e12b49ea9f8463b8f122b649bab5a73','practice','2026-05-04 09:01:00.000000','','','','2026-11-25 04:31:39.791235','');
CREATE TABLE library (
	"key" VARCHAR(50) NOT NULL, 
	value TEXT NOT NULL, 
	CONSTRAINT pk_library PRIMARY KEY ("key")
);
CREATE TABLE measurements (
	id VARCHAR(32) NOT NULL, 
	recording_id VARCHAR(32) NOT NULL, 
	stage VARCHAR(11) NOT NULL, 
	place VARCHAR(6) NOT NULL, 
	code VARCHAR(50) NOT NULL, 
	calibration VARCHAR(100) NOT NULL, 
	bands VARCHAR(100) NOT NULL, 
	made_at DATETIME NOT NULL, 
	head JSON NOT NULL, 
	CONSTRAINT pk_measurements PRIMARY KEY (id), 
	CONSTRAINT ck_measurements_place CHECK (place IN ('now', 'before')), 
	CONSTRAINT ck_measurements_stage CHECK (stage IN ('provisional', 'final')), 
	CONSTRAINT fk_measurements_recording_id FOREIGN KEY(recording_id) REFERENCES recordings (id)
);
INSERT INTO "measurements" VALUES('526aa2cdaea4478692c270b9336f828b','04a2647c669a474e8fc41782e7074537','final','now','0.1.0','04a2647c669a474e8fc41782e7074537','shipped','2026-11-25 04:31:39.820093','{"handedness": "left", "club": "7-iron", "sensors": [{"role": "forearm", "rate_hz": 100.0, "samples": 200, "lost": 0, "clipped_gyro": 0, "clipped_accel": 0, "clock_offset_s": 0.0, "clock_drift_ppm": 0.0, "gyro_bias_dps": [0.1, 0.0, 0.0], "units_inferred": false}], "warnings": []}');
INSERT INTO "measurements" VALUES('58245d7bd10b4fa0ad78095d440e4d56','cabbed6cfef24cc0abff2ef1b0fdd246','final','before','0.1.0','cabbed6cfef24cc0abff2ef1b0fdd246','shipped','2026-11-25 04:31:39.868668','{"handedness": "left", "club": "driver", "sensors": [{"role": "forearm", "rate_hz": 100.0, "samples": 200, "lost": 0, "clipped_gyro": 0, "clipped_accel": 0, "clock_offset_s": 0.0, "clock_drift_ppm": 0.0, "gyro_bias_dps": [0.1, 0.0, 0.0], "units_inferred": false}], "warnings": []}');
INSERT INTO "measurements" VALUES('da4d823858274db0b9de48c630bfdaa0','cabbed6cfef24cc0abff2ef1b0fdd246','final','now','0.1.1','cabbed6cfef24cc0abff2ef1b0fdd246','shipped','2026-11-25 04:31:39.894400','{"handedness": "left", "club": "driver", "sensors": [{"role": "forearm", "rate_hz": 100.0, "samples": 200, "lost": 0, "clipped_gyro": 0, "clipped_accel": 0, "clock_offset_s": 0.0, "clock_drift_ppm": 0.0, "gyro_bias_dps": [0.1, 0.0, 0.0], "units_inferred": false}], "warnings": []}');
CREATE TABLE readings (
	measurement_id VARCHAR(32) NOT NULL, 
	swing_id VARCHAR(32) NOT NULL, 
	document JSON NOT NULL, 
	CONSTRAINT pk_readings PRIMARY KEY (measurement_id, swing_id), 
	CONSTRAINT fk_readings_measurement_id FOREIGN KEY(measurement_id) REFERENCES measurements (id), 
	CONSTRAINT fk_readings_swing_id FOREIGN KEY(swing_id) REFERENCES swings (id)
);
INSERT INTO "readings" VALUES('526aa2cdaea4478692c270b9336f828b','e5a70c52b413466593f006fb46968a02','{"index": 1, "kind": "full", "ball": true, "quality": {"grade": "good", "reasons": []}, "events": {"address": {"t": 8.5, "marks": []}, "top": {"t": 9.7, "marks": []}, "impact": {"t": 10.0, "marks": []}}, "angles": {"wrist_flexion": {"address": {"value": -15.0, "u95": 3.0}, "top": {"value": -21.0, "u95": 3.0}, "impact": {"value": 1.0, "u95": 4.0}}, "face_to_forearm": {"top": {"value": 17.0, "u95": 4.0}}}, "changes": {"wrist_flexion": {"top..impact": {"value": 22.0, "u95": 1.5}}}, "tempo": {"backswing_s": 0.9, "downswing_s": 0.3, "ratio": 3.0}, "bands": {"wrist_flexion@top": {"low": -10.0, "high": 4.0, "source": "house", "verdict": "below"}}}');
INSERT INTO "readings" VALUES('526aa2cdaea4478692c270b9336f828b','8b005174fb3d4caa88d34f4be944c044','{"index": 2, "kind": "full", "ball": true, "quality": {"grade": "good", "reasons": []}, "events": {"address": {"t": 18.5, "marks": []}, "top": {"t": 19.7, "marks": []}, "impact": {"t": 20.0, "marks": []}}, "angles": {"wrist_flexion": {"address": {"value": -15.0, "u95": 3.0}, "top": {"value": -21.0, "u95": 3.0}, "impact": {"value": 1.0, "u95": 4.0}}, "face_to_forearm": {"top": {"value": 17.0, "u95": 4.0}}}, "changes": {"wrist_flexion": {"top..impact": {"value": 22.0, "u95": 1.5}}}, "tempo": {"backswing_s": 0.9, "downswing_s": 0.3, "ratio": 3.0}, "bands": {"wrist_flexion@top": {"low": -10.0, "high": 4.0, "source": "house", "verdict": "below"}}}');
INSERT INTO "readings" VALUES('526aa2cdaea4478692c270b9336f828b','506debda23f8465a9040d466ce0ad7ac','{"index": 3, "kind": "full", "ball": true, "quality": {"grade": "good", "reasons": []}, "events": {"address": {"t": 28.5, "marks": []}, "top": {"t": 29.7, "marks": []}, "impact": {"t": 30.0, "marks": []}}, "angles": {"wrist_flexion": {"address": {"value": -15.0, "u95": 3.0}, "top": {"value": -21.0, "u95": 3.0}, "impact": {"value": 1.0, "u95": 4.0}}, "face_to_forearm": {"top": {"value": 17.0, "u95": 4.0}}}, "changes": {"wrist_flexion": {"top..impact": {"value": 22.0, "u95": 1.5}}}, "tempo": {"backswing_s": 0.9, "downswing_s": 0.3, "ratio": 3.0}, "bands": {"wrist_flexion@top": {"low": -10.0, "high": 4.0, "source": "house", "verdict": "below"}}}');
INSERT INTO "readings" VALUES('526aa2cdaea4478692c270b9336f828b','35531481a75a400cad2cef387ba72460','{"index": 4, "kind": "full", "ball": true, "quality": {"grade": "good", "reasons": []}, "events": {"address": {"t": 38.5, "marks": []}, "top": {"t": 39.7, "marks": []}, "impact": {"t": 40.0, "marks": []}}, "angles": {"wrist_flexion": {"address": {"value": -15.0, "u95": 3.0}, "top": {"value": -21.0, "u95": 3.0}, "impact": {"value": 1.0, "u95": 4.0}}, "face_to_forearm": {"top": {"value": 17.0, "u95": 4.0}}}, "changes": {"wrist_flexion": {"top..impact": {"value": 22.0, "u95": 1.5}}}, "tempo": {"backswing_s": 0.9, "downswing_s": 0.3, "ratio": 3.0}, "bands": {"wrist_flexion@top": {"low": -10.0, "high": 4.0, "source": "house", "verdict": "below"}}}');
INSERT INTO "readings" VALUES('526aa2cdaea4478692c270b9336f828b','52ced85ab662453ab317846e91d02279','{"index": 5, "kind": "full", "ball": true, "quality": {"grade": "good", "reasons": []}, "events": {"address": {"t": 48.5, "marks": []}, "top": {"t": 49.7, "marks": []}, "impact": {"t": 50.0, "marks": []}}, "angles": {"wrist_flexion": {"address": {"value": -15.0, "u95": 3.0}, "top": {"value": -21.0, "u95": 3.0}, "impact": {"value": 1.0, "u95": 4.0}}, "face_to_forearm": {"top": {"value": 17.0, "u95": 4.0}}}, "changes": {"wrist_flexion": {"top..impact": {"value": 22.0, "u95": 1.5}}}, "tempo": {"backswing_s": 0.9, "downswing_s": 0.3, "ratio": 3.0}, "bands": {"wrist_flexion@top": {"low": -10.0, "high": 4.0, "source": "house", "verdict": "below"}}}');
INSERT INTO "readings" VALUES('58245d7bd10b4fa0ad78095d440e4d56','43262259cc7349d7a87afe9010cbb549','{"index": 1, "kind": "full", "ball": true, "quality": {"grade": "good", "reasons": []}, "events": {"address": {"t": 8.5, "marks": []}, "top": {"t": 9.7, "marks": []}, "impact": {"t": 10.0, "marks": []}}, "angles": {"wrist_flexion": {"address": {"value": -15.0, "u95": 3.0}, "top": {"value": -12.0, "u95": 3.0}, "impact": {"value": 1.0, "u95": 4.0}}, "face_to_forearm": {"top": {"value": 17.0, "u95": 4.0}}}, "changes": {"wrist_flexion": {"top..impact": {"value": 22.0, "u95": 1.5}}}, "tempo": {"backswing_s": 0.9, "downswing_s": 0.3, "ratio": 3.0}, "bands": {"wrist_flexion@top": {"low": -10.0, "high": 4.0, "source": "house", "verdict": "below"}}}');
INSERT INTO "readings" VALUES('58245d7bd10b4fa0ad78095d440e4d56','f6f09a78ce5045bbad22f6c1a1cebdc4','{"index": 2, "kind": "full", "ball": true, "quality": {"grade": "good", "reasons": []}, "events": {"address": {"t": 18.5, "marks": []}, "top": {"t": 19.7, "marks": []}, "impact": {"t": 20.0, "marks": []}}, "angles": {"wrist_flexion": {"address": {"value": -15.0, "u95": 3.0}, "top": {"value": -12.0, "u95": 3.0}, "impact": {"value": 1.0, "u95": 4.0}}, "face_to_forearm": {"top": {"value": 17.0, "u95": 4.0}}}, "changes": {"wrist_flexion": {"top..impact": {"value": 22.0, "u95": 1.5}}}, "tempo": {"backswing_s": 0.9, "downswing_s": 0.3, "ratio": 3.0}, "bands": {"wrist_flexion@top": {"low": -10.0, "high": 4.0, "source": "house", "verdict": "below"}}}');
INSERT INTO "readings" VALUES('da4d823858274db0b9de48c630bfdaa0','43262259cc7349d7a87afe9010cbb549','{"index": 1, "kind": "full", "ball": true, "quality": {"grade": "good", "reasons": []}, "events": {"address": {"t": 8.5, "marks": []}, "top": {"t": 9.7, "marks": []}, "impact": {"t": 10.0, "marks": []}}, "angles": {"wrist_flexion": {"address": {"value": -15.0, "u95": 3.0}, "top": {"value": -12.5, "u95": 3.0}, "impact": {"value": 1.0, "u95": 4.0}}, "face_to_forearm": {"top": {"value": 17.0, "u95": 4.0}}}, "changes": {"wrist_flexion": {"top..impact": {"value": 22.0, "u95": 1.5}}}, "tempo": {"backswing_s": 0.9, "downswing_s": 0.3, "ratio": 3.0}, "bands": {"wrist_flexion@top": {"low": -10.0, "high": 4.0, "source": "house", "verdict": "below"}}}');
INSERT INTO "readings" VALUES('da4d823858274db0b9de48c630bfdaa0','f6f09a78ce5045bbad22f6c1a1cebdc4','{"index": 2, "kind": "full", "ball": true, "quality": {"grade": "good", "reasons": []}, "events": {"address": {"t": 18.5, "marks": []}, "top": {"t": 19.7, "marks": []}, "impact": {"t": 20.0, "marks": []}}, "angles": {"wrist_flexion": {"address": {"value": -15.0, "u95": 3.0}, "top": {"value": -12.5, "u95": 3.0}, "impact": {"value": 1.0, "u95": 4.0}}, "face_to_forearm": {"top": {"value": 17.0, "u95": 4.0}}}, "changes": {"wrist_flexion": {"top..impact": {"value": 22.0, "u95": 1.5}}}, "tempo": {"backswing_s": 0.9, "downswing_s": 0.3, "ratio": 3.0}, "bands": {"wrist_flexion@top": {"low": -10.0, "high": 4.0, "source": "house", "verdict": "below"}}}');
CREATE TABLE recordings (
	id VARCHAR(32) NOT NULL, 
	lesson_id VARCHAR(32) NOT NULL, 
	state VARCHAR(4) NOT NULL, 
	sha256 VARCHAR(64), 
	entry VARCHAR(255) NOT NULL, 
	source TEXT NOT NULL, 
	recorded_at DATETIME, 
	handedness VARCHAR(5) NOT NULL, 
	club VARCHAR(100) NOT NULL, 
	drill VARCHAR(100) NOT NULL, 
	options JSON NOT NULL, 
	discarded TEXT, 
	bytes BIGINT NOT NULL, 
	added_at DATETIME NOT NULL, 
	CONSTRAINT pk_recordings PRIMARY KEY (id), 
	CONSTRAINT ck_recordings_handedness CHECK (handedness IN ('right', 'left')), 
	CONSTRAINT ck_recordings_state CHECK (state IN ('open', 'kept')), 
	CONSTRAINT fk_recordings_lesson_id FOREIGN KEY(lesson_id) REFERENCES lessons (id)
);
INSERT INTO "recordings" VALUES('04a2647c669a474e8fc41782e7074537','4aec2742858444e3bf3ec22afbc6189e','kept','e483c52136912f3568ce7d5ce43851c6fe50225af46a4a89622f64561c9bf7c3','','/media/range/7-iron','2026-05-03 09:00:00.000000','left','7-iron','','{}',NULL,9008,'2026-11-25 04:31:39.739147');
INSERT INTO "recordings" VALUES('cabbed6cfef24cc0abff2ef1b0fdd246','32a896c0b9f84aa08b531611eb2cde1a','kept','15a1638d4cd391686bc39cc4a579c87801423b6df63b2451a3c02fa38f806051','','/media/range/driver','2026-05-04 09:01:00.000000','left','driver','','{}',NULL,9008,'2026-11-25 04:31:39.792095');
CREATE TABLE students (
	id VARCHAR(32) NOT NULL, 
	coach VARCHAR(63) NOT NULL, 
	name VARCHAR(200) NOT NULL, 
	handedness VARCHAR(5) NOT NULL, 
	born_on DATE, 
	guardian VARCHAR(200) NOT NULL, 
	consent_on DATE, 
	clubs JSON NOT NULL, 
	aims TEXT NOT NULL, 
	notes TEXT NOT NULL, 
	created_at DATETIME NOT NULL, 
	CONSTRAINT pk_students PRIMARY KEY (id), 
	CONSTRAINT ck_students_handedness CHECK (handedness IN ('right', 'left'))
);
INSERT INTO "students" VALUES('3e12b49ea9f8463b8f122b649bab5a73','','Juno Ábarà-Ødegaard','left','2012-03-04','Edda Ábarà','2026-04-01','["7-iron", "driver"]','flatter at the top','likes short words','2026-11-25 04:31:39.638261');
INSERT INTO "students" VALUES('8c60e88874ec4f4090c59ccf9fd337d8','','Per Linde','right',NULL,'',NULL,'[]','','','2026-11-25 04:31:39.660650');
CREATE TABLE swings (
	id VARCHAR(32) NOT NULL, 
	recording_id VARCHAR(32) NOT NULL, 
	number INTEGER, 
	at_s DOUBLE, 
	kind VARCHAR(7) NOT NULL, 
	ball BOOLEAN, 
	grade VARCHAR(4) NOT NULL, 
	club VARCHAR(100), 
	thought TEXT, 
	left_out TEXT, 
	start VARCHAR(8), 
	curve VARCHAR(5), 
	strike VARCHAR(6), 
	carry_m DOUBLE, 
	CONSTRAINT pk_swings PRIMARY KEY (id), 
	CONSTRAINT ck_swings_curve CHECK (curve IN ('left', 'none', 'right')), 
	CONSTRAINT ck_swings_start CHECK (start IN ('left', 'straight', 'right')), 
	CONSTRAINT ck_swings_strike CHECK (strike IN ('centre', 'heel', 'toe', 'high', 'low', 'thin', 'fat')), 
	CONSTRAINT ck_swings_carry CHECK (carry_m >= 0), 
	CONSTRAINT fk_swings_recording_id FOREIGN KEY(recording_id) REFERENCES recordings (id)
);
INSERT INTO "swings" VALUES('e5a70c52b413466593f006fb46968a02','04a2647c669a474e8fc41782e7074537',1,10.0,'full',1,'good',NULL,NULL,NULL,'left','left','heel',128.0);
INSERT INTO "swings" VALUES('8b005174fb3d4caa88d34f4be944c044','04a2647c669a474e8fc41782e7074537',2,20.0,'full',1,'good',NULL,NULL,'phone rang',NULL,NULL,NULL,NULL);
INSERT INTO "swings" VALUES('506debda23f8465a9040d466ce0ad7ac','04a2647c669a474e8fc41782e7074537',3,30.0,'full',1,'good',NULL,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "swings" VALUES('35531481a75a400cad2cef387ba72460','04a2647c669a474e8fc41782e7074537',4,40.0,'full',1,'good','8-iron',NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "swings" VALUES('52ced85ab662453ab317846e91d02279','04a2647c669a474e8fc41782e7074537',5,50.0,'full',1,'good','8-iron',NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "swings" VALUES('43262259cc7349d7a87afe9010cbb549','cabbed6cfef24cc0abff2ef1b0fdd246',1,10.0,'full',1,'good',NULL,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "swings" VALUES('f6f09a78ce5045bbad22f6c1a1cebdc4','cabbed6cfef24cc0abff2ef1b0fdd246',2,20.0,'full',1,'good',NULL,NULL,NULL,NULL,NULL,NULL,NULL);
CREATE TABLE trash (
	id VARCHAR(32) NOT NULL, 
	CONSTRAINT pk_trash PRIMARY KEY (id)
);
CREATE TABLE tries (
	lesson_id VARCHAR(32) NOT NULL, 
	swing_id VARCHAR(32), 
	drill VARCHAR(100) NOT NULL, 
	number INTEGER NOT NULL, 
	at DATETIME NOT NULL, 
	angle VARCHAR(30) NOT NULL, 
	event VARCHAR(60) NOT NULL, 
	value_deg DOUBLE, 
	u95_deg DOUBLE, 
	held BOOLEAN, 
	shown BOOLEAN NOT NULL, 
	id VARCHAR(32) NOT NULL, 
	CONSTRAINT pk_tries PRIMARY KEY (id), 
	CONSTRAINT fk_tries_lesson_id FOREIGN KEY(lesson_id) REFERENCES lessons (id), 
	CONSTRAINT fk_tries_swing_id FOREIGN KEY(swing_id) REFERENCES swings (id)
);
CREATE INDEX ix_students_coach ON students (coach);
CREATE INDEX ix_changed_rows_change_id ON changed_rows (change_id);
CREATE INDEX ix_changed_rows_row_id ON changed_rows (row_id);
CREATE INDEX ix_lessons_student_id_held_at ON lessons (student_id, held_at);
CREATE INDEX ix_recordings_lesson_id ON recordings (lesson_id);
CREATE INDEX ix_recordings_sha256 ON recordings (sha256);
CREATE INDEX ix_measurements_recording_id_place ON measurements (recording_id, place);
CREATE INDEX ix_swings_recording_id_number ON swings (recording_id, number);
CREATE INDEX ix_readings_swing_id ON readings (swing_id);
CREATE INDEX ix_tries_lesson_id ON tries (lesson_id);
COMMIT;

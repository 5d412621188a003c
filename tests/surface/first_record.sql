BEGIN TRANSACTION;
CREATE TABLE acknowledgements (
	id INTEGER NOT NULL, 
	time_us BIGINT NOT NULL, 
	note TEXT NOT NULL, 
	what TEXT NOT NULL, 
	PRIMARY KEY (id)
);
INSERT INTO "acknowledgements" VALUES(1,1795618621417615,'n','{}');
CREATE TABLE alignments (
	row_id INTEGER NOT NULL, 
	time_us BIGINT NOT NULL, 
	az_error_arcmin DOUBLE, 
	alt_error_arcmin DOUBLE, 
	sigma_arcmin DOUBLE, 
	file_id INTEGER NOT NULL, 
	line INTEGER NOT NULL, 
	raw TEXT NOT NULL, 
	content BLOB NOT NULL, 
	status SMALLINT DEFAULT '0' NOT NULL, 
	PRIMARY KEY (row_id), 
	UNIQUE (time_us, content), 
	FOREIGN KEY(file_id) REFERENCES files (id)
);
CREATE TABLE book (
	id INTEGER NOT NULL CHECK (id = 1), 
	name TEXT NOT NULL, 
	latitude_deg DOUBLE NOT NULL, 
	longitude_deg DOUBLE NOT NULL, 
	made_us BIGINT NOT NULL, 
	code_version TEXT NOT NULL, 
	next_row_id BIGINT NOT NULL, 
	PRIMARY KEY (id)
);
INSERT INTO "book" VALUES(1,'Test pier',47.3,-92.4,1795618621158894,'0.1.0',9);
CREATE TABLE corrections (
	row_id INTEGER NOT NULL, 
	time_us BIGINT NOT NULL, 
	kind TEXT DEFAULT '' NOT NULL, 
	amount_arcmin DOUBLE, 
	bearing_deg DOUBLE, 
	thickness_mm DOUBLE, 
	turns DOUBLE, 
	note TEXT DEFAULT '' NOT NULL, 
	file_id INTEGER NOT NULL, 
	line INTEGER NOT NULL, 
	raw TEXT NOT NULL, 
	content BLOB NOT NULL, 
	status SMALLINT DEFAULT '0' NOT NULL, 
	PRIMARY KEY (row_id), 
	UNIQUE (time_us, content), 
	FOREIGN KEY(file_id) REFERENCES files (id)
);
INSERT INTO "corrections" VALUES(8,1704067200000000,'zero',NULL,NULL,NULL,NULL,'x',4,1,'2024-01-01T00:00:00Z,zero,,,,,x',X'D9D3A519E091D7EFDDC03D2BF85209EF',0);
CREATE TABLE files (
	id INTEGER NOT NULL, 
	name TEXT NOT NULL, 
	path TEXT NOT NULL, 
	digest TEXT NOT NULL, 
	kind TEXT NOT NULL, 
	header TEXT NOT NULL, 
	imported_us BIGINT NOT NULL, 
	PRIMARY KEY (id), 
	UNIQUE (path, digest, kind, header)
);
INSERT INTO "files" VALUES(1,'a.csv','/logs/a.csv','89ba5a50748d086f6166de5eef3ca929','solves','time_utc,ra_deg,dec_deg,mount_ra_deg,mount_dec_deg,tube_side,temp_c,pressure_hpa',1795618621335810);
INSERT INTO "files" VALUES(2,'b.csv','/logs/b.csv','2f06ac5d073612477ac4b6b2340c9124','solves','time_utc,ra_deg,dec_deg,mount_ra_deg,mount_dec_deg,tube_side,temp_c,pressure_hpa',1795618621363326);
INSERT INTO "files" VALUES(3,'w.csv','/logs/w.csv','8ac95d84ba1b8bb904e35f901c53c8c4','weather','date,t_min_c,t_max_c',1795618621379116);
INSERT INTO "files" VALUES(4,'recorded by hand','','recorded by hand','corrections','time_utc,kind,amount_arcmin,bearing_deg,thickness_mm,turns,note',1795618621387985);
CREATE TABLE kept_answers (
	"key" TEXT NOT NULL, 
	text TEXT NOT NULL, 
	code_version TEXT NOT NULL, 
	made_us BIGINT NOT NULL, 
	PRIMARY KEY ("key")
);
CREATE TABLE kept_blobs (
	"key" TEXT NOT NULL, 
	blob BLOB NOT NULL, 
	made_us BIGINT NOT NULL, 
	PRIMARY KEY ("key")
);
CREATE TABLE levels (
	row_id INTEGER NOT NULL, 
	time_us BIGINT NOT NULL, 
	lean_north_arcsec DOUBLE, 
	lean_east_arcsec DOUBLE, 
	place TEXT DEFAULT '' NOT NULL, 
	face_deg DOUBLE, 
	sigma_arcsec DOUBLE, 
	file_id INTEGER NOT NULL, 
	line INTEGER NOT NULL, 
	raw TEXT NOT NULL, 
	content BLOB NOT NULL, 
	status SMALLINT DEFAULT '0' NOT NULL, 
	PRIMARY KEY (row_id), 
	UNIQUE (time_us, content), 
	FOREIGN KEY(file_id) REFERENCES files (id)
);
CREATE TABLE migrations (
	name TEXT NOT NULL, 
	run_us BIGINT NOT NULL, 
	code_version TEXT NOT NULL, 
	PRIMARY KEY (name)
);
INSERT INTO "migrations" VALUES('0001 first tables',1795618621146637,'0.1.0');
CREATE TABLE runs (
	row_id INTEGER NOT NULL, 
	time_us BIGINT NOT NULL, 
	ra_deg DOUBLE, 
	dec_deg DOUBLE, 
	run TEXT DEFAULT '' NOT NULL, 
	dec_offset_arcsec DOUBLE, 
	ra_offset_arcsec DOUBLE, 
	file_id INTEGER NOT NULL, 
	line INTEGER NOT NULL, 
	raw TEXT NOT NULL, 
	content BLOB NOT NULL, 
	status SMALLINT DEFAULT '0' NOT NULL, 
	PRIMARY KEY (row_id), 
	UNIQUE (time_us, content), 
	FOREIGN KEY(file_id) REFERENCES files (id)
);
CREATE TABLE set_aside (
	id INTEGER NOT NULL, 
	file TEXT NOT NULL, 
	path TEXT NOT NULL, 
	line INTEGER NOT NULL, 
	"column" TEXT NOT NULL, 
	value TEXT NOT NULL, 
	reason TEXT NOT NULL, 
	kind TEXT NOT NULL, 
	row_kept BOOLEAN NOT NULL, 
	raw TEXT NOT NULL, 
	"key" BLOB NOT NULL, 
	noted_us BIGINT NOT NULL, 
	PRIMARY KEY (id), 
	UNIQUE ("key")
);
INSERT INTO "set_aside" VALUES(1,'a.csv','/logs/a.csv',6,'time_utc','never','is not an ISO 8601 time such as 2024-03-01T22:14:05.5Z','solves',0,'never,1,2,3,4,east,0,960',X'7941259CA86C5EE69110CE73C5CA6E8F',1795618621335810);
INSERT INTO "set_aside" VALUES(2,'b.csv','/logs/b.csv',7,'tube_side','up','must be one of: east, west','solves',0,'2024-03-01T02:00:00.000Z,95.554992,61.385130,95.654992,61.335130,up,-5.5,955.0',X'929530BC23E23A79CECAABDA772FDF35',1795618621363326);
CREATE TABLE solves (
	row_id INTEGER NOT NULL, 
	time_us BIGINT NOT NULL, 
	ra_deg DOUBLE, 
	dec_deg DOUBLE, 
	mount_ra_deg DOUBLE, 
	mount_dec_deg DOUBLE, 
	tube_side TEXT DEFAULT '' NOT NULL, 
	session TEXT DEFAULT '' NOT NULL, 
	before_sync DOUBLE, 
	temp_c DOUBLE, 
	pressure_hpa DOUBLE, 
	exposure_s DOUBLE, 
	pa_deg DOUBLE, 
	file_id INTEGER NOT NULL, 
	line INTEGER NOT NULL, 
	raw TEXT NOT NULL, 
	content BLOB NOT NULL, 
	status SMALLINT DEFAULT '0' NOT NULL, 
	PRIMARY KEY (row_id), 
	UNIQUE (time_us, content), 
	FOREIGN KEY(file_id) REFERENCES files (id)
);
INSERT INTO "solves" VALUES(1,1709258400000000,95.554992,61.38513,95.654992,61.33513,'west','',NULL,-5.5,955.0,NULL,NULL,1,2,'2024-03-01T02:00:00.000Z,95.554992,61.385130,95.654992,61.335130,west,-5.5,955.0',X'09B74BF5C97648081153568A049A894D',0);
INSERT INTO "solves" VALUES(2,1709258460000000,43.168628,40.459957,43.268628,40.409957,'east','',NULL,-4.5,956.0,NULL,NULL,1,3,'2024-03-01T02:01:00.000Z,43.168628,40.459957,43.268628,40.409957,east,-4.5,956.0',X'9689BB0E258BEDBAFD973F307E8D6AFF',0);
INSERT INTO "solves" VALUES(3,1709258520000000,140.175802,47.479684,140.275802,47.429684,'west','',NULL,-3.5,957.0,NULL,NULL,1,4,'2024-03-01T02:02:00.000Z,140.175802,47.479684,140.275802,47.429684,west,-3.5,957.0',X'E3A9E8A4A17F4A559FC7053F972F7A23',0);
INSERT INTO "solves" VALUES(4,1709258580000000,43.887707,21.377956,43.987707,21.327956,'east','',NULL,-2.5,958.0,NULL,NULL,1,5,'2024-03-01T02:03:00.000Z,43.887707,21.377956,43.987707,21.327956,east,-2.5,958.0',X'802465B82DA2D228D51C315AB3224FF5',0);
INSERT INTO "solves" VALUES(5,1709258640000000,120.556551,57.675655,120.656551,57.625655,'west','',NULL,-1.5,959.0,NULL,NULL,2,4,'2024-03-01T02:04:00.000Z,120.556551,57.675655,120.656551,57.625655,west,-1.5,959.0',X'A65076B1AAD9E9C393A51D2CDF5C6D2A',0);
INSERT INTO "solves" VALUES(6,1709258700000000,107.427835,46.907166,107.527835,46.857166,'east','',NULL,0.5,960.0,NULL,NULL,2,5,'2024-03-01T02:05:00.000Z,107.427835,46.907166,107.527835,46.857166,east,0.5,960.0',X'62A0DD10A17AC74729CA11C3C1EB66DE',0);
CREATE TABLE sweeps (
	row_id INTEGER NOT NULL, 
	time_us BIGINT NOT NULL, 
	ra_deg DOUBLE, 
	dec_deg DOUBLE, 
	sweep TEXT DEFAULT '' NOT NULL, 
	temp_c DOUBLE, 
	pressure_hpa DOUBLE, 
	file_id INTEGER NOT NULL, 
	line INTEGER NOT NULL, 
	raw TEXT NOT NULL, 
	content BLOB NOT NULL, 
	status SMALLINT DEFAULT '0' NOT NULL, 
	PRIMARY KEY (row_id), 
	UNIQUE (time_us, content), 
	FOREIGN KEY(file_id) REFERENCES files (id)
);
CREATE TABLE weather (
	row_id INTEGER NOT NULL, 
	day BIGINT NOT NULL, 
	t_min_c DOUBLE, 
	t_max_c DOUBLE, 
	t_mean_c DOUBLE, 
	snow_cm DOUBLE, 
	file_id INTEGER NOT NULL, 
	line INTEGER NOT NULL, 
	raw TEXT NOT NULL, 
	content BLOB NOT NULL, 
	status SMALLINT DEFAULT '0' NOT NULL, 
	PRIMARY KEY (row_id), 
	UNIQUE (day, content), 
	FOREIGN KEY(file_id) REFERENCES files (id)
);
INSERT INTO "weather" VALUES(7,19723,-3.0,1.0,NULL,NULL,3,2,'2024-01-01,-3,1',X'9F2FD53F9BD07C1ADF5E84A669F5B38F',0);
CREATE INDEX ix_set_aside_path ON set_aside (path);
COMMIT;

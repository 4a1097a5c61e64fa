-- What a person notes of a gateway on the bench: its serial number or work order, and when it was signed off.
CREATE TABLE bench_record (
  gateway_eui TEXT PRIMARY KEY,
  serial TEXT,
  signed_off_us INTEGER
) STRICT, WITHOUT ROWID;

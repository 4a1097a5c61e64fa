-- A photo of a placement, as a person gave it: picture only, without what the camera wrote beside it. Not part of the
-- placement's row, which is read in every list.
CREATE TABLE placement_photo (
  placement_id INTEGER PRIMARY KEY REFERENCES placement (id) ON DELETE CASCADE,
  -- image/jpeg or image/png, told by the octets
  type TEXT NOT NULL CHECK (type IN ('image/jpeg', 'image/png')),
  octets BLOB NOT NULL,
  -- begin of the SHA-256, so that a changed photo has another address
  digest TEXT NOT NULL
) STRICT;

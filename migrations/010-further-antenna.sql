-- 1: another row stands for this packet on the air (a further antenna of the gateway heard it too). So that packets,
-- airtime and data rates are counted once, however many antennas a gateway has.
ALTER TABLE reception ADD COLUMN further INTEGER NOT NULL DEFAULT 0;

UPDATE reception SET further = 1
WHERE ghost = 0 AND EXISTS (
  SELECT 1 FROM reception AS other
  WHERE other.gateway_id = reception.gateway_id AND other.tmst_key = reception.tmst_key
    AND abs(other.at_us - reception.at_us) < 1800000000 AND other.id < reception.id AND other.ghost = 0
    AND other.frequency_hz IS reception.frequency_hz AND other.antenna <> reception.antenna
    AND other.payload IS reception.payload);

-- Datagrams of servers (PUSH_ACK, PULL_ACK, PULL_RESP) in the capture; 0: only the gateways' side was recorded.
-- null: read before these were counted.
ALTER TABLE capture ADD COLUMN answers INTEGER;

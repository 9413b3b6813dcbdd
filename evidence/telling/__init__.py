"""Send the result of a card: `channels` are the ways, `outbox` keeps what could not be sent and tries it again."""

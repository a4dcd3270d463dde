/* What the two readers of messages share. */
#ifndef POISE_MESSAGES_PARTS_H
#define POISE_MESSAGES_PARTS_H

#include "poise/messages.h"

/* True, with the whole message but its `json`, when the text is a reading in the usual shape. */
bool message_read_usual(const char *topic, size_t topic_length, const char *text, size_t length, struct message *out);

#endif

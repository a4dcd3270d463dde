/* The curves of brews that were under way before we came, or while the bench was away: asked of the bench, which keeps
 * what it has published. */
#ifndef BOARD_RECALL_H
#define BOARD_RECALL_H

#include "board.h"

/* A state has come: where it is the first since the bench was found and something brews, what was published before it
 * is asked for, and the curves begin where their brews did. */
void recall_look(struct board *board, uint64_t seq);

#endif

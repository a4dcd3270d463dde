/* Claims: what a report asserts, for machines, each with the sentence that people read. */
#ifndef POISE_REPORT_CLAIMS_H
#define POISE_REPORT_CLAIMS_H

#include <jansson.h>

#include "words.h"

/* A sentence a report may say: by which name, when it is true, and what it claims. */
struct rule {
    const char *name;
    const char *when; /* the condition, in words */
    bool (*holds)(const struct findings *findings);
    void (*say)(const struct findings *findings, char out[SENTENCE_SIZE]);
    void (*claim)(const struct findings *findings, json_t *list); /* NULL: it claims nothing */
};

/* Of the headlines the first whose condition holds is said; there always is one. */
const struct rule *headline_rule(const struct findings *findings);

/* All that the report asserts, the headline's claims first. */
json_t *claims_json(const struct findings *findings);

/* All rules, with their conditions: what there may be to read. */
json_t *rules_json(void);

/* Pieces of claims. */
json_t *claim_new(json_t *list, const char *kind);
json_t *claim_interval(struct interval interval);
json_t *claim_number(double number);
json_t *claim_level(const struct findings *findings, int place);                    /* {"grind": 18, "stir": "none"} */
json_t *claim_factor_level(const struct findings *findings, int factor, int level); /* {"grind": 18} */

/* "is 1.20 points (0.80 to 1.60)": pieces of sentences. */
struct interval sized(struct interval interval, double difference);

/* Rules of each design, in the order in which they are tried; the last of each always holds. */
extern const struct rule rules_of_none[], rules_of_time[], rules_of_numbers[], rules_of_words[], rules_of_two[];

/* The claims of a curve's bends, of what it gains, and of its misfit. */
void claim_curve(const struct findings *findings, int curve, json_t *list);

#endif

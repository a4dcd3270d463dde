/* poise-taste results and list: what opened sessions show, those of one question together. */
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "poise/clock.h"
#include "poise/program.h"
#include "taste.h"

enum { QUESTIONS = 200 };

static void print_places(const struct tasting_verdict *verdict)
{
    int cups = tasting_cups(verdict->method, verdict->sample_count);

    printf("  chosen by position, from the left:");
    for (int cup = 0; cup < cups; cup++)
        printf(" %u", verdict->chosen[cup]);
    for (int cup = 0; cup < cups; cup++) /* exact binomial for the most favoured place, for all places at once */
        if (verdict->answered >= 6 && verdict->method != TASTING_TWO_OF_FIVE && verdict->method != TASTING_TETRAD
            && (double)cups * proportion_tail(verdict->chosen[cup], verdict->answered, 1.0 / cups) < 0.05)
            printf(" (position %d is favoured: did it stand out?)", cup + 1);
    puts("");
}

void taste_print_verdict(const struct tasting_verdict *verdict)
{
    bool right = tasting_method_has_right(verdict->method);

    taste_print(false, "%s", verdict->sentence);
    if (*verdict->caution)
        taste_print(false, "  %s", verdict->caution);
    if (verdict->answered == 0)
        return;
    if (right && !verdict->unjudged) {
        printf("  sure %u, of them right %u; a guess %u, of them right %u\n", verdict->sure, verdict->sure_right,
               verdict->answered - verdict->sure, verdict->hits - verdict->sure_right);
        for (size_t i = 0; i < verdict->tasters && verdict->tasters > 1; i++)
            printf("  %s: %u of %u right\n", verdict->taster[i].name, verdict->taster[i].hits,
                   verdict->taster[i].answered);
    }
    if (verdict->method != TASTING_DEGREE)
        print_places(verdict);
}

static json_t *number(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

static const char *const finding_names[] = { [TASTING_UNJUDGED] = "not judged",
                                             [TASTING_NOT_SHOWN] = "not shown",
                                             [TASTING_DIFFERENT] = "different",
                                             [TASTING_SAME] = "same" };

static json_t *verdict_json(const struct tasting_verdict *verdict)
{
    json_t *samples = json_array(), *object;

    for (int i = 0; i < verdict->sample_count; i++)
        json_array_append_new(samples, json_string(verdict->sample[i].label));
    object = json_pack("{s:s, s:s, s:s, s:o, s:s, s:i, s:b, s:b, s:i, s:i, s:i, s:i, s:i}", "question",
                       verdict->question, "method", tasting_method_name(verdict->method), "experiment",
                       verdict->experiment, "samples", samples, "finding", finding_names[verdict->finding], "sessions",
                       verdict->sessions, "blind", !verdict->by_eye && !verdict->alone, "alone", verdict->alone,
                       "planned", (int)verdict->planned, "answered", (int)verdict->answered, "hits", (int)verdict->hits,
                       "left_out", (int)verdict->left_out, "tasters", (int)verdict->tasters);
    json_object_set_new(object, "favoured",
                        verdict->favoured < 0 ? json_null() : json_string(verdict->sample[verdict->favoured].label));
    json_object_set_new(object, "sure", json_integer(verdict->sure));
    json_object_set_new(object, "sure_right", json_integer(verdict->sure_right));
    json_object_set_new(object, "p", number(verdict->p));
    json_object_set_new(object, "level", number(verdict->level));
    json_object_set_new(object, "proportion", number(verdict->proportion));
    json_object_set_new(object, "proportion_low", number(verdict->proportion_95.low));
    json_object_set_new(object, "proportion_high", number(verdict->proportion_95.high));
    json_object_set_new(object, "share", number(verdict->share));
    json_object_set_new(object, "share_low", number(verdict->share_95.low));
    json_object_set_new(object, "share_high", number(verdict->share_95.high));
    json_object_set_new(object, "dprime", number(verdict->dprime));
    json_object_set_new(object, "dprime_low", number(verdict->dprime_95.low));
    json_object_set_new(object, "dprime_high", number(verdict->dprime_95.high));
    json_object_set_new(object, "p_alike", number(verdict->p_alike));
    json_object_set_new(object, "sentence", json_string(verdict->sentence));
    json_object_set_new(object, "caution", json_string(verdict->caution));
    return object;
}

int taste_results(struct store *store, const struct options *options)
{
    struct tasting_verdict *verdict = calloc(QUESTIONS, sizeof *verdict);
    struct why why;
    int count =
        verdict ? tasting_verdicts(store, NULL, verdict, QUESTIONS, &why) : why_set(&why, -1, "not enough memory");
    int shown = 0, status = count < 0 ? EXIT_FAILED : EXIT_DONE;
    json_t *all = json_array();

    if (count < 0)
        program_message("%s", why.text);
    for (int i = 0; i < count; i++) {
        if (options->question && strcmp(options->question, verdict[i].question) != 0)
            continue;
        shown++;
        if (verdict[i].sessions == 0) { /* it could not be read as what was sealed */
            program_message("%s", verdict[i].sentence);
            status = EXIT_FAILED;
        }
        if (options->json) {
            json_array_append_new(all, verdict_json(&verdict[i]));
        } else if (verdict[i].sessions > 0) {
            taste_print(false, "%s (%s, %d session%s)", verdict[i].question, tasting_method_name(verdict[i].method),
                        verdict[i].sessions, verdict[i].sessions == 1 ? "" : "s");
            taste_print_verdict(&verdict[i]);
            puts("");
        }
    }
    if (options->json && count >= 0) {
        json_dumpf(all, stdout, JSON_INDENT(2));
        puts("");
    } else if (count >= 0 && shown == 0) {
        program_message("no tasting has been opened yet%s", options->question ? " with this question" : "");
    }
    json_decref(all);
    free(verdict);
    return status;
}

/* ---- list ---- */

struct listing {
    struct store *store;
    json_t *all; /* NULL: as text */
    int count;
    char missing[TASTING_SEAL_SIZE]; /* the seal that the next session names as before it */
};

static void list_line(struct listing *listing, const char *name, const char *method, int answered, int sets,
                      const char *condition, const char *made, const char *question)
{
    listing->count++;
    if (listing->all)
        json_array_append_new(listing->all, json_pack("{s:s, s:s, s:s, s:s, s:i, s:i, s:s}", "name", name, "method",
                                                      method, "question", question, "made_utc", made, "sets", sets,
                                                      "answered", answered, "condition", condition));
    else
        printf("%-20s %-12s %3d of %3d answered, %s  %s  %s\n", name, method, answered, sets, condition, made,
               question);
}

static const char *condition_of(const struct tasting_record *record)
{
    if (record->opened_us)
        return record->early ? "opened early" : record->session.alone ? "opened, was alone" : "opened";
    return record->session.alone ? "alone, nobody holds a key" : "sealed";
}

static int list_one(const char *name, bool lost, void *context)
{
    struct listing *listing = context;
    struct tasting_record record;
    struct why why;
    char made[32] = "";

    if (lost) {
        list_line(listing, name, "?", 0, 0, "its row is missing: somebody removed it", made, "");
        return 0;
    }
    if (tasting_record_load(listing->store, name, &record, &why) != 0) {
        list_line(listing, name, "?", 0, 0, why.text, made, "");
        *listing->missing = '\0';
        return 0;
    }
    if (*record.session.before && *listing->missing && strcmp(record.session.before, listing->missing) != 0)
        list_line(listing, "(missing)", "?", 0, 0, "a tasting before the next one was removed", made, "");
    else if (*record.session.before && listing->count == 0)
        list_line(listing, "(missing)", "?", 0, 0, "a tasting before the next one was removed", made, "");
    snprintf(listing->missing, sizeof listing->missing, "%s", record.row.seal);
    list_line(listing, name, tasting_method_name(record.session.method), record.answered,
              tasting_counted(&record.session), condition_of(&record), clock_format_utc(record.session.made_us, made),
              record.session.question);
    tasting_record_free(&record);
    return 0;
}

static int list_early(const struct store_tasting_early *tasting, void *context)
{
    struct listing *listing = context;
    char made[32], condition[160];

    snprintf(condition, sizeof condition, "%s; sealed the early way: its key lay open, a change would not show",
             tasting->peeked        ? "opened early"
             : tasting->revealed_us ? "opened"
             : tasting->alone       ? "alone"
                                    : "closed");
    list_line(listing, tasting->name, tasting->method, tasting->answered, tasting->sets, condition,
              clock_format_utc(tasting->made_us, made), tasting->question);
    return 0;
}

int taste_list(struct store *store, const struct options *options)
{
    struct listing listing = { .store = store, .all = options->json ? json_array() : NULL };
    struct why why;
    int error = store_tasting_names(store, list_one, &listing, &why);

    if (!error)
        error = store_tasting_early_each(store, list_early, &listing, &why);
    if (error)
        program_message("%s", why.text);
    else if (listing.count == 0 && !options->json)
        program_message("no tastings yet: make one with poise-taste new");
    if (listing.all && !error) {
        json_dumpf(listing.all, stdout, JSON_INDENT(2));
        puts("");
    }
    json_decref(listing.all);
    return error ? EXIT_FAILED : EXIT_DONE;
}

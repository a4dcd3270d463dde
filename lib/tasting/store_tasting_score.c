/* From a stored session to its score: the key is checked against its seal first. */
#include "poise/store_tasting.h"

#include <errno.h>
#include <string.h>

int store_tasting_sets(const struct tasting_session *session, struct tasting_set *out, struct why *why)
{
    char seal[TASTING_SEAL_SIZE];
    int count;

    if (session->alone && !*session->key) {
        for (int set = 0; set < session->sets; set++) {
            out[set].cups = tasting_cups(session->method, session->sample_count);
            out[set].reference = session->method == TASTING_DUO_TRIO ? 0 : -1;
            for (int cup = 0; cup < out[set].cups; cup++) {
                out[set].code[cup] = cup + 1;
                out[set].sample[cup] = 0;
            }
        }
        return session->sets;
    }
    if (!session->alone) {
        tasting_seal(session->key, seal);
        if (strcmp(seal, session->seal) != 0)
            return why_set(why, -EBADF,
                           "%s: the key does not match its seal: somebody changed it, so this session "
                           "shows nothing; set up a new one",
                           session->name);
    }
    count = tasting_key_read(session->key, out, TASTING_SETS, why);
    for (int set = 0; set < count; set++)
        for (int cup = 0; cup < out[set].cups; cup++)
            if (out[set].cups != tasting_cups(session->method, session->sample_count)
                || out[set].sample[cup] >= session->sample_count)
                return why_set(why, -EBADF, "%s: set %d of the key does not belong to this session", session->name,
                               set + 1);
    if (count >= 0 && count != session->sets)
        return why_set(why, -EBADF, "%s: the key has %d sets, the session %d", session->name, count, session->sets);
    return count;
}

int store_tasting_score(struct store *store, const struct tasting_session *session, struct tasting_score *score,
                        struct why *why)
{
    static struct tasting_answer answers[TASTING_SETS];
    static struct tasting_set sets[TASTING_SETS];
    int place[TASTING_CUPS], error = store_tasting_sets(session, sets, why);
    int count = error < 0 ? error : store_tasting_answers(store, session->name, answers, TASTING_SETS, why);

    for (int i = 0; i < count; i++) {
        int set = answers[i].set;

        if (set < 0 || set >= session->sets
            || tasting_answer_read(session->method, &sets[set], answers[i].answer, place, why) < 0)
            return why_set(why, -EBADF, "%s: the answer to set %d is damaged", session->name, set + 1);
        tasting_score_add(score, &sets[set], place, answers[i].sure, answers[i].taster);
    }
    return count < 0 ? count : 0;
}

int store_tasting_remarked(const struct tasting_session *session, const struct tasting_set *sets, int code)
{
    for (int set = 0; set < session->sets; set++)
        for (int cup = 0; cup < sets[set].cups; cup++) /* alone, places recur: the set's number keeps them apart */
            if (code == (session->alone ? (set + 1) * 100 + sets[set].code[cup] : sets[set].code[cup]))
                return sets[set].sample[cup];
    return -1;
}

struct counting {
    const struct tasting_session *session;
    const struct tasting_set *sets;
    unsigned (*count)[TASTING_WORDS];
};

static void count_remark(const struct tasting_remark *remark, const char *taster, void *context)
{
    const struct counting *counting = context;
    int sample = store_tasting_remarked(counting->session, counting->sets, remark->code);

    (void)taster;
    if (sample >= 0)
        tasting_words_count(remark->text, counting->count[sample]);
}

int store_tasting_words(struct store *store, const struct tasting_session *session,
                        unsigned count[TASTING_CUPS][TASTING_WORDS], struct why *why)
{
    static struct tasting_set sets[TASTING_SETS];
    struct counting counting = { session, sets, count };
    int error = store_tasting_sets(session, sets, why);

    return error < 0 ? error : store_tasting_remarks(store, session->name, count_remark, &counting, why);
}

/* Holds what a tracker made of a session against what truly was.  Knows limits, not trackers. */
#ifndef POISE_TESTS_KITCHEN_JUDGE_H
#define POISE_TESTS_KITCHEN_JUDGE_H

#include "kitchen.h"
#include "kitchen_watch.h"

enum kitchen_number {
    NUMBER_DOSE,
    NUMBER_WATER,
    NUMBER_BEVERAGE,
    NUMBER_STEEP,
    NUMBER_BLOOM,
    NUMBER_SETTLE,
    NUMBER_PRESS,
    NUMBER_PEAK,
    NUMBERS
};

const char *kitchen_number_name(enum kitchen_number number);

/* How far off is still right. */
struct limits {
    double stage_s, press_s, dose_g, liquid_g;
};

/* Up to 0.1 g and from 5 readings a second on: stages 0.5 s, press 0.3 s, dose 0.1 g, water and beverage 0.3 g.
 * A slower scale cannot show when better than its interval: what that exceeds 0.2 s is added to the times, and half of
 * the longest bunch.  A coarser one shows a movement late by what 5 g/s need for the rest of a division, and a
 * difference of two values within a division: that time is added, and masses get 1.2 divisions. */
struct limits kitchen_limits(const struct kitchen_scale *scale);

enum number_verdict {
    NUMBER_NONE, /* neither was there one nor is one stated */
    NUMBER_RIGHT,
    NUMBER_HONEST, /* asked for, left open where nobody could know, or the truth within two uncertainties */
    NUMBER_OPEN,   /* not stated, not asked for, though it could be known */
    NUMBER_WRONG,
    NUMBER_SURE_WRONG /* beyond the limit and beyond three standard uncertainties */
};

struct verdict {
    bool found, stages_right, stages_honest, wholly_right, right_or_asked;
    bool asked_needlessly; /* for a dose, water or beverage that could be known and is right */
    enum number_verdict number[NUMBERS];
    bool stated[NUMBERS], within_two[NUMBERS];
    double press_error_s; /* of a press that was seen; else NAN */
    char why[512];        /* what was wrong, in words; may be empty */
};

struct judgement {
    struct verdict brew[KITCHEN_BREWS];
    int from_nothing; /* brews that were none, and stand */
    int taken_back;   /* that were begun and discarded */
};

void kitchen_judge(const struct kitchen_session *session, const struct seen *seen, struct judgement *judgement);

#endif

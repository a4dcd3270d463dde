/* The guide as a table of situations: stage, plan, amounts and time in; instruction and number out.
 * What is expected is written by hand from what a person at the bench should read. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "poise/guide.h"

/* The training room's recipe, and others. */
#define STEEP                                                          \
    "{'factors':{'steep_s':120},'recipe':{'dose_g':15,'water_g':230}," \
    "'tolerances':{'dose_g':0.1,'water_g':2,'steep_s':3},'open':[{'steep_s':60},{'steep_s':150}]}"
#define BLOOM                                                                                           \
    "{'factors':{'steep_s':120},'recipe':{'bloom_g':45,'bloom_s':30,'water_g':230,'temperature_c':91}," \
    "'tolerances':{'bloom_g':3,'water_g':2}}"
#define SPOON "{'factors':{'steep_s':120},'recipe':{'water_g':230,'stir':'10 s spoon'},'tolerances':{'water_g':2}}"
#define SWIRL "{'factors':{'stir':'swirl'},'recipe':{'steep_s':150,'stir_at_s':40,'stir_s':8,'water_g':230}}"
#define SETTLE "{'factors':{'settle_s':30},'recipe':{'stir':'spoon','stir_s':10,'water_g':230}}"
#define RATIO "{'factors':{'ratio':14},'recipe':{'dose_g':15,'steep_s':120},'tolerances':{'dose_g':0.1}}"
#define BY_WATER "{'factors':{'ratio':16},'recipe':{'water_g':240}}"
#define PRESSURE \
    "{'factors':{'press_mean_kpa':20},'recipe':{'steep_s':90,'press_s':25},'tolerances':{'press_mean_kpa':3}}"
#define KIOSK                                                                                                \
    "{'factors':{'grind':'18 clicks'},'recipe':{'coffee':'ferry blend','filter':'paper','temperature_c':93," \
    "'water':'kiosk','dose_g':15,'water_g':230,'press':'slow','dilution_g':20,'own_kettle_mm':90}}"
#define WATERS \
    "{'factors':{'water_g':230},'recipe':{'steep_s':120},'tolerances':{'water_g':2},'open':[{'water_g':240}]}"
#define DOSES "{'factors':{'dose_g':15},'recipe':{'water_g':230},'tolerances':{'dose_g':0.2},'open':[{'dose_g':17}]}"
#define LOOSE "{'factors':{'steep_s':120},'recipe':{'dose_g':15,'water_g':230},'tolerances':{'dose_g':0.1,'water_g':8}}"
#define RATIOS \
    "{'factors':{'ratio':14},'recipe':{'dose_g':15,'steep_s':120},'tolerances':{'dose_g':0.1},'open':[{'ratio':16}]}"
#define LESS "{'factors':{'water_g':230},'recipe':{'steep_s':120},'tolerances':{'water_g':2},'open':[{'water_g':222}]}"
#define NONE "null"

#define SET_UP "scale=1 load=0"
#define STANDS "scale=1 load=523"
#define TARED "scale=1 load=523 tared=1"

static const struct situation {
    const char *plan, *state;
    const char *cue, *now, *digits, *unit, *goal; /* NULL: not looked at */
    const char *set, *next, *rescue;
} situations[] = {
    /* before the coffee */
    { NONE, "", "Coffee", "Weigh the coffee.", "-", "g of coffee in", "", "", "next: coffee", "" },
    { NONE, SET_UP, "Set up", "Put the cup and the brewer on the scale, and tare.", "-", NULL, NULL, "", NULL, "" },
    { NONE, STANDS, "Coffee", "Tare, then weigh the coffee.", NULL, NULL, NULL, NULL, NULL, NULL },
    { NONE, TARED, "Coffee", "Weigh the coffee.", "0.0", "g of coffee in", "", NULL, NULL, NULL },
    { NONE, TARED " coffee=12.3", "Coffee", "Weigh the coffee.", "12.3", NULL, "", NULL, NULL, NULL },
    { NONE, TARED " dose=15.1", "Pour", "Pour the water.", "15.1", NULL, NULL, NULL, "next: pour", NULL },
    { STEEP, SET_UP, "Set up", NULL, "-", NULL, "target 15.0 ± 0.1 g", NULL, NULL, "" },
    { STEEP, STANDS, "Coffee", "Tare, then weigh 15.0 ± 0.1 g of coffee.", NULL, NULL, NULL, NULL, NULL, NULL },
    { STEEP, TARED, "Coffee", "Weigh 15.0 ± 0.1 g of coffee.", "0.0", NULL, "15.0 g to go of 15.0 ± 0.1 g", "", NULL,
      "" },
    { STEEP, TARED " coffee=14.6", "Coffee", NULL, "14.6", "g of coffee in", "0.4 g to go of 15.0 ± 0.1 g", NULL, NULL,
      "" },
    { STEEP, TARED " coffee=15.1", "Pour 230 g", "Pour 230 ± 2 g of water.", "15.1", NULL, "right: 15.0 ± 0.1 g", NULL,
      NULL, "" },
    { STEEP, TARED " coffee=15.4", "Coffee", NULL, "15.4", NULL, "0.4 g above 15.0 ± 0.1 g", NULL, NULL,
      "Take 0.4 g out, or pour 236 g: that keeps the ratio, not the plan." },
    { STEEP, TARED " dose=15.0 stage=dose", "Pour 230 g", NULL, "15.0", NULL, NULL, NULL, "next: pour", NULL },
    { BLOOM, TARED " dose=15", "Pour 45 g", "Pour 45 ± 3 g of water for the bloom.", NULL, NULL, NULL, "Water: 91 °C",
      "next: bloom", NULL }, /* not coffee again */
    { BLOOM, TARED " dose=15 stage=dose", NULL, NULL, NULL, NULL, NULL, NULL, "next: bloom", NULL },
    { KIOSK, SET_UP, "Set up", NULL, NULL, NULL, NULL,
      "Grind: 18 clicks, Coffee: ferry blend, Filter: paper, Kettle: 90 mm", NULL, NULL },
    { KIOSK, TARED " coffee=14.9", "Pour 230 g", "Pour 230 g of water.", NULL, NULL, "right: 15 g",
      "Water: 93 °C, Water: kiosk", NULL, NULL },
    { RATIO, TARED, "Coffee", "Weigh 15.0 ± 0.1 g of coffee.", NULL, NULL, NULL, NULL, NULL, NULL },
    { RATIO, TARED " dose=15", "Pour 210 g", "Pour 210 g of water.", NULL, NULL, NULL, NULL, NULL, NULL },
    { RATIO, TARED " coffee=15.4", "Coffee", NULL, NULL, NULL, NULL, NULL, NULL, "Take 0.4 g out." },
    { BY_WATER, TARED, "Coffee", "Weigh 15 g of coffee.", NULL, NULL, "15.0 g to go of 15 g", NULL, NULL, NULL },
    { STEEP, STANDS " cup_left=1 beverage=198.4", "Take the cup", "The cup is weighed: take it off.", "198.4",
      "g in the cup", "", "", NULL, NULL },
    { KIOSK, STANDS " cup_left=1", NULL, NULL, "-", "g in the cup", NULL, "Add water: 20 g", NULL, NULL },
    /* its brew waits for the end, or for strength: the dose is in that cup, and nothing is to be poured on it */
    { BLOOM, STANDS " stage=strength dose=15.1 beverage=198.4", "Take the cup", "The cup is weighed: take it off.",
      "198.4", "g in the cup", NULL, NULL, "next: coffee", "" },
    { BLOOM, SET_UP " stage=strength dose=15.1 beverage=198.4", "Set up",
      "Put the cup and the brewer on the scale, and tare.", "-", NULL, NULL, NULL, "next: coffee", "" },
    { BLOOM, TARED " stage=strength dose=15.1 coffee=14.9", "Coffee", NULL, "14.9", NULL, NULL, NULL, NULL, "" },

    /* the pour */
    { NONE, "scale=1 load=560 stage=pour water=37.2 flow=8 water_s=5", "Pour", "Pour the water.", "37.2",
      "g of water in", "", NULL, "next: steep", NULL },
    { STEEP, "stage=pour water=40 flow=8 water_s=5", "Pour to 230", "Pour to 230 ± 2 g.", "40.0", "g of water in",
      "190.0 g to go of 230 ± 2 g", NULL, "next: steep", "" },
    { STEEP, "stage=pour water=229 flow=6 water_s=30", "Stop", "Stop pouring: the water is in.", "229.0", NULL,
      "right: 230 ± 2 g", NULL, NULL, "" },
    { STEEP, "stage=pour water=236 flow=6 water_s=30", "Stop", "Stop pouring: it is more than planned.", "236.0", NULL,
      "6.0 g above 230 ± 2 g", NULL, NULL, "6.0 g too much: brew on, the cup is kept and its run repeated." },
    { WATERS, "stage=pour water=236 flow=6 water_s=30", "Stop", NULL, NULL, NULL, NULL, NULL, NULL,
      "6.0 g too much: pour on to 240 g and it is the 240 g cup." },
    { RATIO, "stage=pour water=100 dose=15.4 flow=6 water_s=20", "Pour to 215.6", "Pour to 215.6 g.", NULL, NULL,
      "115.6 g to go of 215.6 g", NULL, NULL, NULL },
    { STEEP, "stage=pour water_s=2", "Pour to 230", NULL, "-", NULL, "target 230 ± 2 g", NULL, NULL, NULL },
    { STEEP, "scale=1 load=750 stage=pour water=230.4 flow=0.1 water_s=35", "Wait", "Wait until 2:00.", "1:25", NULL,
      NULL, NULL, NULL, NULL }, /* the tracker has not said so yet, but the water stands */
    { BLOOM, "stage=pour water=30 flow=8 water_s=4 pours=1", "Pour to 45", "Pour to 45 ± 3 g for the bloom.", "30.0",
      NULL, "15.0 g to go of 45 ± 3 g", "Water: 91 °C", NULL, NULL },
    { BLOOM, "stage=pour water=46 flow=0.1 water_s=10 pours=1", "Bloom",
      "Let it bloom until 0:30, then pour to 230 ± 2 g.", "0:20", "to the pour", "pour at 0:30", NULL,
      "next: pour at 0:30", NULL },
    { BLOOM, "stage=steep water=46 water_s=12.5 pours=1", "Bloom", NULL, "0:18", NULL, NULL, NULL, "next: pour at 0:30",
      NULL },
    { BLOOM, "stage=steep water=46 water_s=34 pours=1", "Pour", "Pour now to 230 ± 2 g.", "0:04", "past the pour", NULL,
      NULL, NULL, NULL },
    { BLOOM, "stage=pour water=60 flow=8 water_s=41.5 pours=2", "Pour to 230", NULL, "60.0", NULL,
      "170.0 g to go of 230 ± 2 g", NULL, "next: steep", NULL },
    { BLOOM, "stage=pour water=90 flow=8 water_s=9 pours=1", "Pour to 230", NULL, NULL, NULL,
      "140.0 g to go of 230 ± 2 g", NULL, NULL, NULL }, /* all poured at once: past half as much again */

    { NONE, "scale=1 load=0 stage=pour water=0.1 water_s=9", "Pour", "Pour the water.", "0.1", NULL, NULL, NULL,
      "next: pour", NULL }, /* nothing is in: no steep comes next, whoever asks */
    { NONE, "scale=1 load=0 stage=steep water=0.1 water_s=9", NULL, NULL, NULL, NULL, NULL, NULL, "next: pour", NULL },

    /* the steep */
    { STEEP, "scale=1 load=600 stage=steep water=40 water_s=30", "Pour 190 g",
      "190.0 g are missing: pour to 230 ± 2 g.", "40.0", "g of water in", "190.0 g to go of 230 ± 2 g", NULL,
      "next: pour", NULL },
    { STEEP, "scale=1 load=600 stage=steep water=40 water_s=130", "Pour 190 g",
      "190.0 g are missing: pour to 230 ± 2 g.", NULL, NULL, NULL, NULL, "next: pour", NULL },
    { STEEP, "scale=1 load=750 stage=steep water=226 water_s=60", "Pour 4 g", "4.0 g are missing: pour to 230 ± 2 g.",
      NULL, NULL, NULL, NULL, NULL, NULL },
    { STEEP, "scale=1 load=750 stage=steep water=226 water_s=121", "Press", "Press now.", NULL, NULL, NULL, NULL, NULL,
      NULL },
    { STEEP, "scale=1 load=750 stage=steep water=230 water_s=52", "Wait", "Wait until 2:00.", "1:08", "to the press",
      "press at 2:00", NULL, "next: press at 2:00", "" },
    { STEEP, "scale=1 load=750 stage=steep water=230 water_s=52.4", NULL, NULL, "1:08", NULL, NULL, NULL, NULL, NULL },
    { STEEP, "scale=1 load=750 stage=steep water=230 water_s=120", "Press", "Press now.", "0:00", "past the press",
      NULL, NULL, "next: press at 2:00", "" },
    { STEEP, "scale=1 load=750 stage=steep water=230 water_s=132", "Press", "Press now.", "0:12", "past the press",
      NULL, NULL, NULL, "12 s late for 2:00: press at 2:30 and it is the 150 s cup, or now." },
    { STEEP, "scale=1 load=750 stage=steep water=230 water_s=170", "Press", NULL, NULL, NULL, NULL, NULL, NULL,
      "50 s late for 2:00: press now, the cup is kept and its run repeated." },
    { STEEP, "stage=steep water=237 water_s=170", NULL, NULL, NULL, NULL, NULL, NULL, NULL,
      "7.0 g too much: brew on, the cup is kept and its run repeated. 50 s late for 2:00: press now." },
    { SPOON, "scale=1 load=750 stage=steep water=230 water_s=126", "Press", NULL, NULL, NULL, NULL, NULL, NULL,
      "6 s late for 2:00: press now, the cup counts with the time it had." },
    { WATERS, "scale=1 load=750 stage=steep water=236 water_s=40", "Wait", "Wait until 2:00.", NULL, NULL, NULL, NULL,
      NULL, "6.0 g too much: pour on to 240 g and it is the 240 g cup." },
    { NONE, "scale=1 load=750 stage=steep water=230 water_s=52", "Wait", "Wait; press when it is time.", "0:52",
      "since first water", "", NULL, "next: press", NULL },
    { NONE, "scale=1 load=750 stage=steep water=230 water_s=52 steep=90", "Wait", "Wait until 1:30.", "0:38",
      "to the press", "press at 1:30", NULL, "next: press at 1:30", NULL },
    { NONE, "scale=1 load=750 stage=steep", "Wait", NULL, "", NULL, "", NULL, NULL, NULL },
    { STEEP, "scale=1 load=0 stage=steep water=230 water_s=60", "Wait",
      "Wait. Press at 2:00 beside the scale, then put the full cup back.", "1:00", NULL, NULL, NULL, NULL, "" },
    { STEEP, "scale=1 load=0 stage=steep water=230 water_s=140", "Cup back",
      "Press beside the scale if that is not done, then put the full cup back.", NULL, NULL, NULL, NULL, NULL, "" },
    { NONE, "scale=1 load=0 stage=steep water=230 water_s=140", "Wait",
      "Press beside the scale when it is time, then put the full cup back.", NULL, NULL, NULL, NULL, NULL, "" },

    /* what still saves a brew */
    { LOOSE, TARED " coffee=15.4", NULL, NULL, NULL, NULL, NULL, NULL, NULL,
      "Take 0.4 g out, or pour 236 g: that keeps the ratio and the plan." },
    { DOSES, TARED " coffee=15.6", NULL, NULL, NULL, NULL, NULL, NULL, NULL,
      "Take 0.6 g out, or add 1.4 g: the 17 g cup, or pour 239 g: that keeps the ratio, not the plan." },
    { DOSES, TARED " coffee=16.9", NULL, NULL, NULL, NULL, NULL, NULL, NULL,
      "Take 1.9 g out, or keep it as the 17 g cup, or pour 259 g: that keeps the ratio, not the plan." },
    { STEEP, "stage=pour water=60 dose=14.6 flow=8 water_s=8", "Pour to 230", NULL, NULL, NULL, NULL, NULL, NULL,
      "0.4 g of coffee too little: 224 g of water keep the ratio; the cup is kept and its run repeated." },
    { STEEP, "stage=pour water=60 dose=15.5 flow=8 water_s=8", NULL, NULL, NULL, NULL, NULL, NULL, NULL,
      "0.5 g of coffee too much: 238 g of water keep the ratio; the cup is kept and its run repeated." },
    { STEEP, "stage=pour water=60 dose=15.05 flow=8 water_s=8", NULL, NULL, NULL, NULL, NULL, NULL, NULL, "" },
    { WATERS, "stage=pour water=238.6 flow=6 water_s=30", "Stop", NULL, NULL, NULL, NULL, NULL, NULL,
      "8.6 g too much: keep it as the 240 g cup." },
    { RATIOS, "stage=pour water=225 dose=15 flow=6 water_s=30", "Stop", NULL, NULL, NULL, NULL, NULL, NULL,
      "15.0 g too much: pour on to 240 g and it is the 240 g cup." },
    { RATIO, "stage=pour water=225 dose=15 flow=6 water_s=30", "Stop", NULL, NULL, NULL, NULL, NULL, NULL,
      "15.0 g too much: brew on, the cup counts with what it got." },
    { BLOOM, "stage=pour water=52 flow=8 water_s=7 pours=1", "Stop", NULL, NULL, NULL, NULL, NULL, NULL,
      "7.0 g too much in the bloom: pour to 230 g all the same; the cup is kept and its run repeated." },
    { BLOOM, "stage=steep water=52 water_s=20 pours=1", "Bloom", NULL, NULL, NULL, NULL, NULL, NULL,
      "7.0 g too much in the bloom: pour to 230 g all the same; the cup is kept and its run repeated." },
    { STEEP, "scale=1 load=750 stage=steep water=226 water_s=120", "Press", "Press now.", NULL, NULL, NULL, NULL, NULL,
      "4.0 g too little: pour them first, or press: the cup is kept and its run repeated." },
    { LESS, "scale=1 load=750 stage=steep water=222.5 water_s=120", "Press", "Press now.", NULL, NULL, NULL, NULL, NULL,
      "7.5 g too little: keep it as the 222 g cup, or pour them first." },
    { STEEP, "scale=1 load=750 stage=steep water=230 water_s=148", "Press", NULL, NULL, NULL, NULL, NULL, NULL,
      "28 s late for 2:00: press now and it is the 150 s cup." },
    { STEEP, "scale=1 load=750 stage=steep water=226 water_s=170", "Press", NULL, NULL, NULL, NULL, NULL, NULL,
      "50 s late for 2:00: press now, the cup is kept and its run repeated." },

    /* the stir */
    { SPOON, "scale=1 load=750 stage=steep water=230 water_s=25", "Stir 10 s", "Stir for 10 s with the spoon.", "1:35",
      "to the press", NULL, NULL, "next: stir", "" },
    { SPOON, "scale=1 load=750 stage=steep water=230 water_s=60 stage_s=30", "Wait", "Wait until 2:00.", NULL, NULL,
      NULL, NULL, "next: press at 2:00", "No stir was seen: if it was done, mark it." },
    { SPOON, "stage=stir water=230 water_s=28 stir_began=3 stirs=1", "Stir 10 s", "Stir for 10 s with the spoon.",
      "0:07", "of stirring to go", NULL, NULL, "next: settle", NULL },
    { SPOON, "stage=stir water=230 water_s=36 stir_began=11 stirs=1", "Stop", "Stop stirring.", "0:11", "stirred", NULL,
      NULL, NULL, NULL },
    { STEEP, "stage=stir water=230 water_s=36 stir_began=11 stirs=1", "Stirring", "Stirring.", "0:11", "stirred", NULL,
      NULL, NULL, NULL }, /* the plan has no stir: it is shown, and not ordered */
    { SPOON, "scale=1 load=750 stage=settle water=230 water_s=40 stirs=1 stirred=3", "Settle",
      "Let it settle until 2:00.", "1:20", NULL, NULL, NULL, "next: press at 2:00", "" },
    { SPOON, "scale=1 load=750 stage=steep water=230 water_s=60 stirs=1", "Wait", "Wait until 2:00.", NULL, NULL, NULL,
      NULL, "next: press at 2:00", "" },
    { SWIRL, "scale=1 load=750 stage=steep water=230 water_s=25", "Wait", "Wait. Stir at 0:40.", "2:05", NULL, NULL,
      NULL, "next: stir at 0:40", "" },
    { SWIRL, "scale=1 load=750 stage=steep water=230 water_s=41", "Swirl 8 s",
      "Swirl for 8 s: hold brewer and cup together.", NULL, NULL, NULL, NULL, NULL, NULL },
    { SWIRL, "scale=1 load=750 stage=steep water=230 water_s=70", "Wait", "Wait until 2:30.", NULL, NULL, NULL, NULL,
      "next: press at 2:30", "No stir was seen: if it was done, mark it." },
    { SPOON, "scale=1 load=750 stage=steep water=40 water_s=25", "Pour 190 g", NULL, NULL, NULL, NULL, NULL, NULL,
      NULL }, /* water before anything else */
    { SETTLE, "scale=1 load=750 stage=settle water=230 water_s=60 stirs=1 stirred=12", "Settle",
      "Let it settle until 1:18.", "0:18", NULL, NULL, NULL, "next: press at 1:18", NULL },
    { SETTLE, "scale=1 load=750 stage=settle water=230 water_s=79 stirs=1 stirred=31", "Press", "Press now.", NULL,
      NULL, NULL, NULL, NULL, NULL },
    { "{'recipe':{'stir':'none','water_g':230,'steep_s':60}}", "scale=1 load=750 stage=steep water=230 water_s=20",
      "Wait", "Wait until 1:00.", NULL, NULL, NULL, NULL, "next: press at 1:00", "" },
    { "{'recipe':{'stir':0,'steep_s':60}}", "scale=1 load=750 stage=steep water=230 water_s=20", "Wait",
      "Wait until 1:00.", NULL, NULL, NULL, NULL, NULL, "" },
    { "{'recipe':{'swirls':3,'steep_s':60}}", "scale=1 load=750 stage=steep water=230 water_s=20", "Swirl",
      "Swirl: hold brewer and cup together.", NULL, NULL, NULL, NULL, NULL, "" },

    /* the press */
    { PRESSURE, "scale=1 load=750 stage=steep water_s=92", "Press", "Press now with 20 ± 3 kPa for 25 s.", NULL, NULL,
      NULL, NULL, NULL, "" },
    { PRESSURE, "scale=1 load=4000 stage=press kpa=11 press=4 water_s=92", "Harder",
      "Press harder: with 20 ± 3 kPa for 25 s.", "11", "kPa", "20 ± 3 kPa, 4 s of 25 s", NULL, NULL, NULL },
    { PRESSURE, "scale=1 load=6000 stage=press kpa=21 press=9.7 water_s=92", "Press", "Press with 20 ± 3 kPa for 25 s.",
      "21", "kPa", "20 ± 3 kPa, 9 s of 25 s", NULL, "next: weigh", NULL },
    { PRESSURE, "scale=1 load=9000 stage=press kpa=27 press=9 water_s=92", "Ease off", NULL, "27", NULL, NULL, NULL,
      NULL, NULL },
    { PRESSURE, "scale=1 load=6000 stage=press kpa=21 press=25.2 water_s=92", "Stop", "Stop pressing: 25 s.", NULL,
      NULL, NULL, NULL, NULL, NULL },
    { NONE, "scale=1 load=9000 stage=press kpa=44.6 press=9 water_s=92 limit=40", "Ease off", "Press more gently.",
      "45", "kPa", "too hard: limit 40 kPa, 0:09 pressed", NULL, NULL, NULL },
    { NONE, "scale=1 load=9000 stage=press kpa=14 press=9 water_s=92 limit=40", "Press", "Press slowly, straight down.",
      "14", "kPa", "limit 40 kPa, 0:09 pressed", NULL, NULL, NULL },
    { NONE, "scale=1 overload=1 stage=press press=9 water_s=92", "Press", NULL, "0:09", "pressing, scale overloaded",
      "", NULL, NULL, NULL },
    { PRESSURE, "scale=1 overload=1 stage=press press=9 water_s=92", "Press", NULL, "0:16", "of pressing to go", NULL,
      NULL, NULL, NULL },
    { PRESSURE, "scale=1 overload=1 stage=press kpa=7.2 press=9 water_s=92", "Press", "Press with 20 ± 3 kPa for 25 s.",
      ">7", "kPa", "20 ± 3 kPa, 9 s of 25 s", NULL, NULL, NULL }, /* nobody can say "harder" */
    { NONE, "scale=1 load=2 stage=press press=9 water_s=92", "Press",
      "Press beside the scale, then put the full cup back.", "0:09", "pressing", NULL, NULL, NULL, NULL },
    { KIOSK, "scale=1 load=900 stage=press kpa=4 press=2 water_s=92", NULL, NULL, NULL, NULL, NULL, "Press: slow", NULL,
      NULL },

    /* the cup */
    { NONE, "scale=1 load=0 stage=weigh", "Cup back", "Put the full cup back on the scale.", "-", "g in the cup", "",
      NULL, "next: the cup is done", NULL },
    { KIOSK, "scale=1 load=540 stage=weigh beverage=201.3", "Weigh cup",
      "Lift the brewer off and leave the full cup on the scale.", "201.3", "g in the cup", "", "Add water: 20 g", NULL,
      NULL },
    { "{'recipe':{'beverage_g':200},'tolerances':{'beverage_g':3}}", "scale=1 load=540 stage=weigh beverage=201.3",
      NULL, NULL, NULL, NULL, "right: 200 ± 3 g", NULL, NULL, NULL },
};

static void run_from(const char *plan, struct guide_run *out)
{
    char text[1000];
    json_t *json;

    snprintf(text, sizeof text, "%s", plan);
    for (char *at = text; *at; at++)
        *at = *at == '\'' ? '"' : *at;
    json = json_loads(text, JSON_DECODE_ANY, NULL);
    assert_non_null(json);
    guide_run_read(json, out);
    json_decref(json);
}

/* "stage=pour water=40": whatever is not named is not known. */
static void state_from(const char *text, struct guide_state *out)
{
    struct {
        const char *name;
        double *value;
    } const numbers[] = {
        { "load", &out->load_g },       { "coffee", &out->coffee_g },     { "dose", &out->dose_g },
        { "water", &out->water_g },     { "flow", &out->flow_g_per_s },   { "kpa", &out->press_kpa },
        { "press", &out->press_s },     { "water_s", &out->water_s },     { "stir_began", &out->stir_began_s },
        { "stirred", &out->stirred_s }, { "stage_s", &out->stage_s },     { "beverage", &out->beverage_g },
        { "limit", &out->limit_kpa },   { "steep", &out->asked_steep_s },
    };
    struct {
        const char *name;
        bool *value;
    } const flags[] = { { "scale", &out->scale },
                        { "overload", &out->overload },
                        { "tared", &out->tared },
                        { "cup_left", &out->cup_left } };
    char copy[300], *next = copy, *word;

    guide_state_clear(out);
    snprintf(copy, sizeof copy, "%s", text);
    while ((word = strsep(&next, " "))) {
        char *value = strchr(word, '=');
        int found = 0;

        if (!value)
            continue;
        *value++ = '\0';
        if (strcmp(word, "stage") == 0) {
            assert_true(stage_find(value) >= 0);
            out->stage = (enum stage)stage_find(value);
            continue;
        }
        for (size_t i = 0; i < sizeof numbers / sizeof *numbers; i++)
            if (strcmp(word, numbers[i].name) == 0 && ++found)
                *numbers[i].value = strtod(value, NULL);
        for (size_t i = 0; i < sizeof flags / sizeof *flags; i++)
            if (strcmp(word, flags[i].name) == 0 && ++found)
                *flags[i].value = *value == '1';
        if (strcmp(word, "pours") == 0 && ++found)
            out->pours = (int)strtol(value, NULL, 10);
        if (strcmp(word, "stirs") == 0 && ++found)
            out->stirs = (int)strtol(value, NULL, 10);
        assert_int_equal(found, 1);
    }
}

static void guide_of(const char *plan, const char *state_text, struct guide *out)
{
    struct guide_units units = { GUIDE_KPA, false };
    struct guide_state state;
    struct guide_run run;

    run_from(plan, &run);
    state_from(state_text, &state);
    guide_now(&run, &state, &units, out);
}

static int differs(const struct situation *situation, const char *what, const char *wanted, const char *got)
{
    if (!wanted || strcmp(wanted, got) == 0)
        return 0;
    print_error("%s; %s\n  %s: \"%s\"\n  wanted: \"%s\"\n", situation->plan, situation->state, what, got, wanted);
    return 1;
}

static void every_situation_has_its_sentence_and_its_number(void **state)
{
    int wrong = 0;

    (void)state;
    for (size_t i = 0; i < sizeof situations / sizeof *situations; i++) {
        const struct situation *situation = &situations[i];
        struct guide guide;

        guide_of(situation->plan, situation->state, &guide);
        wrong += differs(situation, "cue", situation->cue, guide.cue);
        wrong += differs(situation, "now", situation->now, guide.now);
        wrong += differs(situation, "digits", situation->digits, guide.number.digits);
        wrong += differs(situation, "unit", situation->unit, guide.number.unit);
        wrong += differs(situation, "goal", situation->goal, guide.number.goal);
        wrong += differs(situation, "set", situation->set, guide.set);
        wrong += differs(situation, "next", situation->next, guide.next);
        wrong += differs(situation, "rescue", situation->rescue, guide.rescue);
    }
    assert_true(sizeof situations / sizeof *situations >= 60);
    assert_int_equal(wrong, 0);
}

/* What rings: each moment comes once and stays, and the next change is named before. */
static void moments_come_in_their_order(void **state)
{
    static const struct {
        const char *plan, *state;
        unsigned moments;
        enum guide_moment change;
        double change_s;
    } rows[] = {
        { BLOOM, "stage=steep water=46 water_s=12 pours=1", 0, GUIDE_BLOOM_END, 18 },
        { BLOOM, "stage=steep water=46 water_s=31 pours=1", 1U << GUIDE_BLOOM_END, GUIDE_PRESS_SOON, 79 },
        { BLOOM, "stage=pour water=60 water_s=33 pours=2", 0, GUIDE_PRESS_SOON, 77 },
        { SPOON, "stage=steep water=230 water_s=25", 1U << GUIDE_STIR, GUIDE_PRESS_SOON, 85 },
        { SWIRL, "stage=steep water=230 water_s=25", 0, GUIDE_STIR, 15 },
        { SPOON, "stage=stir water=230 water_s=31 stir_began=6 stirs=1", 0, GUIDE_STIR_END, 4 },
        { SPOON, "stage=stir water=230 water_s=36 stir_began=11 stirs=1", 1U << GUIDE_STIR_END, GUIDE_PRESS_SOON, 74 },
        { STEEP, "stage=steep water=230 water_s=112", 1U << GUIDE_PRESS_SOON, GUIDE_PRESS, 8 },
        { STEEP, "stage=steep water=230 water_s=121", 1U << GUIDE_PRESS_SOON | 1U << GUIDE_PRESS, GUIDE_MOMENTS, NAN },
        { PRESSURE, "stage=press water_s=91 press=20", 0, GUIDE_PRESS_END, 5 },
        { PRESSURE, "stage=press water_s=91 press=26", 1U << GUIDE_PRESS_END, GUIDE_MOMENTS, NAN },
        { NONE, "stage=press water_s=91 press=26", 0, GUIDE_MOMENTS, NAN },
        { NONE, "stage=weigh water_s=91", 1U << GUIDE_PRESS_END, GUIDE_MOMENTS, NAN },
        { STEEP, "scale=1 load=500 tared=1", 0, GUIDE_MOMENTS, NAN },
        /* an act before its moment: nobody is called to what is done already */
        { BLOOM, "stage=steep water=46 water_s=30.5 pours=1 flow=8", 0, GUIDE_PRESS_SOON, 79.5 },
        { SWIRL, "stage=settle water=230 water_s=41 stirs=1 stirred=1", 0, GUIDE_PRESS_SOON, 99 },
        { STEEP, "stage=press water=230 water_s=113 press=3", 0, GUIDE_MOMENTS, NAN },
    };

    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct guide guide;

        guide_of(rows[i].plan, rows[i].state, &guide);
        if (guide.moments != rows[i].moments || guide.change != rows[i].change)
            fail_msg("%s; %s: moments %x, change %d", rows[i].plan, rows[i].state, guide.moments, guide.change);
        assert_true(isnan(rows[i].change_s) ? isnan(guide.change_s) : fabs(guide.change_s - rows[i].change_s) < 1e-9);
    }
}

/* At the kettle, at the press and at the sample, and nowhere else. */
static void a_caution_stands_where_the_work_is(void **state)
{
    static const struct {
        const char *state, *words; /* NULL: none */
    } rows[] = {
        { SET_UP, NULL },
        { TARED " coffee=9", NULL },
        { TARED " coffee=15", "scalds" },
        { TARED " coffee=15", "mains kettle" },
        { "stage=pour water=40 flow=8 water_s=5", NULL },
        { "stage=steep water=230 water_s=60", NULL },
        { "stage=steep water=230 water_s=112", "glass breaks" },
        { "stage=press water_s=120 press=3", "sturdy, level cup" },
        { "stage=weigh", NULL },
        { STANDS " cup_left=1", "syringe filter" },
        { STANDS " cup_left=1", "prism" },
    };

    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct guide guide;

        guide_of(STEEP, rows[i].state, &guide);
        if (rows[i].words ? !strstr(guide.caution, rows[i].words) : *guide.caution != '\0')
            fail_msg("%s: \"%s\"", rows[i].state, guide.caution);
    }
}

/* 20 kPa are 0.2 bar and 2.9008 psi (1 psi = 6.894757 kPa, from pound, inch and standard gravity); 92 °C are
 * 197.6 °F. */
static void the_reader_chooses_the_units(void **state)
{
    struct guide_units units = { GUIDE_KPA, false };
    struct guide_setting setting = { .name = "temperature_c", .number = 92, .tolerance = NAN };
    struct guide_state now;
    struct guide_run run;
    struct guide guide;
    char words[120];

    (void)state;
    assert_false(guide_units_pressure("atm", &units));
    assert_true(guide_units_pressure("bar", &units) && guide_units_temperature("f", &units));
    assert_string_equal(guide_pressure_words(20, NAN, &units, words, sizeof words), "0.20 bar");
    assert_string_equal(guide_pressure_words(20, 3, &units, words, sizeof words), "0.20 ± 0.03 bar");
    assert_string_equal(guide_setting_words(&setting, true, &units, words, sizeof words), "Water: 197.6 °F");
    setting.tolerance = 2;
    assert_string_equal(guide_setting_words(&setting, false, &units, words, sizeof words), "197.6 ± 3.6 °F");
    assert_true(guide_units_pressure("psi", &units));
    assert_string_equal(guide_pressure_words(20, NAN, &units, words, sizeof words), "2.9 psi");
    run_from(PRESSURE, &run);
    state_from("scale=1 load=9000 stage=press kpa=20 press=9 water_s=92", &now);
    guide_now(&run, &now, &units, &guide);
    assert_string_equal(guide.number.digits, "2.9");
    assert_string_equal(guide.number.unit, "psi");
    assert_true(guide.number.band_from < guide.number.share && guide.number.share < guide.number.band_to);
    assert_string_equal(guide.now, "Press with 2.9 ± 0.4 psi for 25 s.");
}

/* A number and its uncertainty have digits that fit each other. */
static void a_measure_has_the_digits_of_its_uncertainty(void **state)
{
    static const struct {
        enum measure measure;
        double value, u;
        bool above;
        struct guide_units units;
        const char *words;
    } rows[] = {
        { MEASURE_DOSE_G, 15.0213, 0.042, false, { GUIDE_KPA, false }, "15.02 ± 0.04 g" },
        { MEASURE_DOSE_G, 15.0213, NAN, false, { GUIDE_KPA, false }, "15.0 g" },
        { MEASURE_WATER_G, 229.7178, 0.3, false, { GUIDE_KPA, false }, "229.7 ± 0.3 g" },
        { MEASURE_WATER_G, 229.7178, 1.4, false, { GUIDE_KPA, false }, "229.7 ± 1.4 g" },
        { MEASURE_WATER_G, 229.7178, 12, false, { GUIDE_KPA, false }, "230 ± 12 g" },
        { MEASURE_STRENGTH_PCT, 1.3246, 0.0123, false, { GUIDE_KPA, false }, "1.32 ± 0.01 %" },
        { MEASURE_PRESS_PEAK_KPA, 15.6, 0.4, true, { GUIDE_KPA, false }, "above 15.6 kPa" },
        { MEASURE_PRESS_PEAK_KPA, 15.6, 0.4, false, { GUIDE_BAR, false }, "0.156 ± 0.004 bar" },
        { MEASURE_PRESS_PEAK_KPA, 15.6, 0.4, false, { GUIDE_PSI, false }, "2.26 ± 0.06 psi" },
        { MEASURE_SLURRY_C, 91.5, 0.5, false, { GUIDE_KPA, true }, "196.7 ± 0.9 °F" }, /* F = 9/5 C + 32 */
        { MEASURE_PRESSED_DRY, 1, 0, false, { GUIDE_KPA, false }, "yes" },
    };
    char words[80];

    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++)
        assert_string_equal(guide_measure_words(rows[i].measure, rows[i].value, rows[i].u, rows[i].above,
                                                &rows[i].units, words, sizeof words),
                            rows[i].words);
}

static void a_cup_is_one_line(void **state)
{
    struct guide_units units = { GUIDE_KPA, false };
    bool above[MEASURE_COUNT] = { [MEASURE_PRESS_PEAK_KPA] = true };
    struct measures measures;
    char words[GUIDE_TEXT];

    (void)state;
    measures_clear(&measures);
    assert_string_equal(guide_cup(-1, &measures, NULL, &units, words, sizeof words), "Nothing was measured");
    measures.value[MEASURE_DOSE_G] = 15.02;
    measures.value[MEASURE_STEEP_S] = 121.4;
    measures.value[MEASURE_PRESS_PEAK_KPA] = 15.6;
    measures.value[MEASURE_STRENGTH_PCT] = 1.3249;
    measures.standard_uncertainty[MEASURE_STRENGTH_PCT] = 0.0121;
    assert_string_equal(guide_cup(1, &measures, above, &units, words, sizeof words),
                        "Plan kept: dose 15.0 g, steep time 2:01, peak above 16 kPa, strength 1.32 ± 0.01 %");
    measures.value[MEASURE_EXTRACTION_PCT] = 17.684;
    measures.standard_uncertainty[MEASURE_EXTRACTION_PCT] = 0.31;
    assert_string_equal(guide_cup(0, &measures, NULL, &units, words, sizeof words),
                        "Plan not kept: dose 15.0 g, steep time 2:01, peak 16 kPa, strength 1.32 ± 0.01 %, "
                        "extraction 17.7 ± 0.3 %");
}

/* A run comes from a message: whatever is wrong with it, nothing is asked that was not written. */
static void a_run_that_is_nonsense_asks_for_nothing(void **state)
{
    static const char *const plans[] = {
        "7",
        "[]",
        "'x'",
        "{'factors':7,'recipe':[],'open':{}}",
        "{'factors':{'steep_s':null,'stir':[1]}}",
        "{'factors':{'steep_s':-5,'water_g':0,'ratio':0},'open':[7,{'steep_s':'x'}]}",
    };
    char many[4000] = "{'recipe':{", long_word[400];
    struct guide_run run;
    struct guide guide;

    (void)state;
    for (size_t i = 0; i < sizeof plans / sizeof *plans; i++) {
        guide_of(plans[i], "scale=1 load=700 stage=steep water=100 water_s=30", &guide);
        assert_string_equal(guide.now, "Wait; press when it is time.");
    }
    for (int i = 0; i < 60; i++)
        snprintf(many + strlen(many), sizeof many - strlen(many), "%s'own_%d':%d", i ? "," : "", i, i);
    strcat(many, "}}");
    for (char *at = many; *at; at++)
        *at = *at == '\'' ? '"' : *at;
    json_t *json = json_loads(many, 0, NULL);
    guide_run_read(json, &run);
    json_decref(json);
    assert_int_equal(run.settings, GUIDE_SETTINGS);
    memset(long_word, 0, sizeof long_word);
    for (int i = 0; i < 80; i++)
        strcat(long_word, "\xc2\xb1"); /* cut between characters */
    json = json_pack("{s:{s:s}}", "recipe", "grind", long_word);
    guide_run_read(json, &run);
    json_decref(json);
    assert_int_equal(strlen(run.setting[0].word), 46);
    assert_null(guide_run_setting(&run, "filter"));
}

/* Any state whatever: texts end, and no number runs over its place. */
static void no_state_breaks_it(void **state)
{
    static const double values[] = { NAN, -1e9, -1, 0, 1, 40, 230, 1e5, 1e12, INFINITY };
    static const char *const plans[] = { NONE, STEEP, BLOOM, SPOON, SWIRL, SETTLE, RATIO, PRESSURE, KIOSK, WATERS };
    enum { COUNT = sizeof values / sizeof *values };
    struct guide_units units = { GUIDE_PSI, true };
    unsigned random = 20261125;

    (void)state;
    for (int i = 0; i < 20000; i++) {
        struct guide_state now;
        struct guide_run run;
        struct guide guide;
        double *const fields[] = { &now.stage_s,   &now.water_s,   &now.press_s,   &now.stir_began_s, &now.stirred_s,
                                   &now.load_g,    &now.coffee_g,  &now.dose_g,    &now.water_g,      &now.flow_g_per_s,
                                   &now.press_kpa, &now.limit_kpa, &now.beverage_g };

        guide_state_clear(&now);
        for (size_t field = 0; field < sizeof fields / sizeof *fields; field++) {
            random = random * 1664525U + 1013904223U; /* Numerical Recipes' quick generator */
            *fields[field] = values[(random >> 16) % COUNT];
        }
        random = random * 1664525U + 1013904223U;
        now.stage = (enum stage)((random >> 8) % STAGE_COUNT);
        now.scale = random >> 30 & 1;
        now.tared = random >> 29 & 1;
        now.pours = random >> 28 & 1;
        now.stirs = random >> 27 & 1;
        run_from(plans[(random >> 16) % (sizeof plans / sizeof *plans)], &run);
        guide_now(&run, &now, &units, &guide);
        assert_true(*guide.now != '\0' && strlen(guide.now) < GUIDE_TEXT);
        assert_true(*guide.cue != '\0' && *guide.next != '\0');
        for (const char *at = guide.number.digits; *at; at++)
            assert_non_null(strchr("0123456789:.-> ", *at));
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_situation_has_its_sentence_and_its_number),
        cmocka_unit_test(moments_come_in_their_order),
        cmocka_unit_test(a_caution_stands_where_the_work_is),
        cmocka_unit_test(the_reader_chooses_the_units),
        cmocka_unit_test(a_measure_has_the_digits_of_its_uncertainty),
        cmocka_unit_test(a_cup_is_one_line),
        cmocka_unit_test(a_run_that_is_nonsense_asks_for_nothing),
        cmocka_unit_test(no_state_breaks_it),
    };

    return cmocka_run_group_tests_name("guide", tests, NULL, NULL);
}

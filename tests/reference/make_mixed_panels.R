# Makes mixed_panels.csv and mixed_panels_expected.csv: invented panel studies of unequal size, and what
# R's lme4, lmerTest, pbkrtest and car say of them. Run in this folder: Rscript make_mixed_panels.R
# The tests read the two files and need no R. Figures are ours to regenerate; nothing is published of them.
suppressMessages({library(lme4); library(lmerTest); library(pbkrtest); library(car)})
set.seed(20261125)
versions <- paste("R", getRversion(), "with", paste(sapply(c("lme4", "lmerTest", "pbkrtest", "car"), function(p)
  paste(p, packageVersion(p))), collapse = ", "))

# panels, the fewest and most trials on one, SD of panels, halves, technicians and residual
studies <- list(
  panels_6      = list(6, 3, 7, 2.0, 0, 0, 1.5, "panel"),
  panels_9      = list(9, 2, 7, 1.0, 0, 0, 2.0, "panel"),
  panels_12     = list(12, 2, 3, 1.0, 0, 0, 2.0, "panel"),
  panels_3      = list(3, 8, 10, 1.5, 0, 0, 1.0, "panel"),
  panels_4      = list(4, 4, 9, 0.7, 0, 0, 1.0, "panel"),
  panels_alike  = list(6, 4, 6, 0.0, 0, 0, 2.0, "panel"),
  panels_alike2 = list(8, 3, 5, 0.0, 0, 0, 2.0, "panel"),
  halves_6      = list(6, 5, 9, 1.5, 1.0, 0, 1.0, "half"),
  halves_8      = list(8, 4, 8, 1.0, 1.5, 0, 1.0, "half"),
  halves_alike  = list(8, 4, 8, 2.0, 0.0, 0, 1.0, "half"),
  crossed_6     = list(6, 5, 8, 1.5, 0, 1.0, 1.0, "technician"),
  crossed_10    = list(10, 3, 5, 0.8, 0, 0.5, 1.0, "technician"))
random <- c(panel = "(1|panel)", half = "(1|panel) + (1|half)", technician = "(1|panel) + (1|technician)")

control <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-12, maxfun = 1e6),
                       check.conv.singular = "ignore")
all <- NULL; expected <- NULL
say <- function(name, quantity, value) expected <<- rbind(expected, data.frame(
  study = name, quantity = quantity, value = format(value, digits = 12)))
for (name in names(studies)) {
  s <- studies[[name]]
  sizes <- sample(s[[2]]:s[[3]], s[[1]], replace = TRUE)
  panel <- rep(seq_len(s[[1]]), sizes); n <- length(panel)
  d <- data.frame(study = name, panel = sprintf("p%02d", panel),
    half = sprintf("p%02d-%s", panel, sample(c("a", "b"), n, replace = TRUE)),
    technician = sample(c("t1", "t2", "t3"), n, replace = TRUE),
    # The grit changes with the panel, as where a whole panel is sanded at once.
    grit = (seq_len(s[[1]]) %% 2)[panel], passes = sample(1:8, n, replace = TRUE),
    pad = sample(c("foam", "microfibre", "wool"), n, replace = TRUE))
  d$y <- round(60 + 2 * d$grit + 1.5 * d$passes + c(foam = 0, microfibre = 1, wool = 2)[d$pad] +
    rnorm(s[[1]], 0, s[[4]])[panel] + rnorm(nlevels(factor(d$half)), 0, s[[5]])[factor(d$half)] +
    rnorm(3, 0, s[[6]])[factor(d$technician, c("t1", "t2", "t3"))] + rnorm(n, 0, s[[7]]), 3)
  all <- rbind(all, d)
  m <- lmer(as.formula(paste("y ~ grit + passes + pad +", random[s[[8]]])), d, control = control)
  say(name, "random", s[[8]])
  v <- as.data.frame(VarCorr(m))
  for (i in seq_len(nrow(v))) say(name, paste0("var[", v$grp[i], "]"), v$vcov[i])
  say(name, "criterion", REMLcrit(m))
  b <- fixef(m); kr <- vcovAdj(m); k <- length(b)
  sat <- coef(summary(m, ddf = "Satterthwaite"))
  for (i in seq_len(k)) {
    term <- names(b)[i]; L <- diag(k)[i, ]
    say(name, paste0("coef[", term, "]"), b[i]); say(name, paste0("se[", term, "]"), sat[i, 2])
    say(name, paste0("df_satterthwaite[", term, "]"), sat[i, 3])
    say(name, paste0("p_satterthwaite[", term, "]"), sat[i, 5])
    say(name, paste0("se_kenward-roger[", term, "]"), sqrt(kr[i, i]))
    say(name, paste0("df_kenward-roger[", term, "]"), Lb_ddf(L, vcov(m), kr))
  }
  # Tests of unbalanced terms: pads, passes about their middle, and their product.
  d$x <- (d$passes - 4.5) / 3.5
  crossed <- lmer(as.formula(paste("y ~ pad * x +", random[s[[8]]])), d, control = control,
                  contrasts = list(pad = "contr.sum"))
  for (type in c("II", "III")) {
    a <- Anova(crossed, type = type, test.statistic = "F")
    for (term in c("pad", "x", "pad:x")) for (col in c("F", "Df.res"))
      say(name, paste0(c(F = "F", Df.res = "df")[col], "_", type, "[", term, "]"), a[term, col])
  }
  L <- diag(k)[4:5, ]
  f <- contestMD(m, L, ddf = "Satterthwaite"); g <- contestMD(m, L, ddf = "Kenward-Roger")
  for (x in list(list("satterthwaite", f), list("kenward-roger", g))) {
    say(name, paste0("F_", x[[1]], "[pad]"), x[[2]][["F value"]])
    say(name, paste0("df_", x[[1]], "[pad]"), x[[2]][["DenDF"]])
    say(name, paste0("p_", x[[1]], "[pad]"), x[[2]][["Pr(>F)"]])
  }
}
store <- function(table, file, what) {
  writeLines(c(paste("#", what), paste("# how: made by make_mixed_panels.R,", versions)), file)
  suppressWarnings(write.table(table, file, append = TRUE, sep = ",", row.names = FALSE, quote = FALSE))
}
store(all, "mixed_panels.csv", "source: invented panel studies of unequal size (seed 20261125); no real data")
store(expected, "mixed_panels_expected.csv",
      "source: y ~ grit + passes + pad by restricted likelihood; random: panel, and halves or technicians")

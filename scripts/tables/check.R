# Reads an export folder back in R (base only) and holds the tables of gaps and covariances against each other.
# Usage: Rscript scripts/tables/check.R FOLDER
folder <- commandArgs(trailingOnly = TRUE)[1]
holds <- read.csv(file.path(folder, "holds.csv"))
covariance <- read.csv(file.path(folder, "hold_covariance.csv"))
stopifnot(nrow(holds) > 0, is.numeric(holds$gap_mm), is.numeric(holds$gap_sd_mm), holds$station %in% c("knee", "calf25", "calf50", "calf75", "ankle", "heel"))
own <- subset(covariance, station == other_station)
joined <- merge(holds, own, by = c("recording", "hold", "station"))
stopifnot(nrow(joined) == nrow(holds), all.equal(joined$gap_sd_mm^2, joined$covariance_mm2))
turned <- merge(covariance, covariance, by.x = c("recording", "hold", "station", "other_station"), by.y = c("recording", "hold", "other_station", "station"))
stopifnot(nrow(turned) == nrow(covariance), all.equal(turned$covariance_mm2.x, turned$covariance_mm2.y))
frames <- read.csv(file.path(folder, "frames.csv"))
stopifnot(nrow(frames) > 0, is.numeric(frames$time_s), frames$in_hold %in% c("true", "false"), frames$gap_sd_mm >= 0)
cat(sprintf("read back by R %s: %d rows of holds, %d of frames\n", getRversion(), nrow(holds), nrow(frames)))

import java.io.File;
import org.verapdf.gf.foundry.VeraGreenfieldFoundryProvider;
import org.verapdf.pdfa.Foundries;
import org.verapdf.pdfa.PDFAParser;
import org.verapdf.pdfa.PDFAValidator;
import org.verapdf.pdfa.flavours.PDFAFlavour;
import org.verapdf.pdfa.results.TestAssertion;
import org.verapdf.pdfa.results.ValidationResult;

/**
 * Validates PDF files: arguments are flavours separated by commas ("3a,ua1"), then the files.
 * For each file and flavour it prints "RESULT", flavour, true or false, assertions made, file,
 * separated by tabs; then a line "FAULT" for the first few assertions that failed.
 */
public final class Validate {
  private static final int SHOWN = 8;

  public static void main(String[] arguments) throws Exception {
    VeraGreenfieldFoundryProvider.initialise();
    for (int i = 1; i < arguments.length; i++) {
      for (String name : arguments[0].split(",")) {
        validate(new File(arguments[i]), PDFAFlavour.byFlavourId(name), name);
      }
    }
  }

  private static void validate(File file, PDFAFlavour flavour, String name) throws Exception {
    try (PDFAParser parser = Foundries.defaultInstance().createParser(file, flavour);
        PDFAValidator validator = Foundries.defaultInstance().createValidator(flavour, false)) {
      ValidationResult result = validator.validate(parser);
      System.out.printf(
          "RESULT\t%s\t%s\t%d\t%s%n",
          name, result.isCompliant(), result.getTotalAssertions(), file.getPath());
      result.getTestAssertions().stream()
          .filter(each -> each.getStatus() == TestAssertion.Status.FAILED)
          .limit(SHOWN)
          .forEach(each -> System.out.printf("FAULT\t%s\t%s @ %s%n",
              each.getRuleId().getClause() + "-" + each.getRuleId().getTestNumber(),
              each.getMessage(), each.getLocation().getContext()));
    }
  }
}
